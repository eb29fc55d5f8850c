"""What was built and promised: the plan and the datasheets, from text handed in. No measured values."""
