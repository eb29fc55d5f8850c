"""A reading against its expectation. Time is an argument; no text for people, no severities."""
