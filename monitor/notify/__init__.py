"""Sending one message and saying whether it went. Who is told and when is decided elsewhere."""
