"""What can be known: quantities, readings, resources and unit conversions. No I/O, no thresholds."""
