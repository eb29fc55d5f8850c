"""Measurements: each prints one JSON line, compared in the same run with a reference. No tests."""
