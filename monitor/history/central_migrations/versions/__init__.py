"""Schemas of a centre's tables, one file each; never changed once they are out."""
