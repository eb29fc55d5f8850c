"""Asking devices: plan → questions, bytes → readings, one file a protocol. A number never goes without a unit."""
