"""Bytes and varbinds → readings, one file a MIB, protocol or encoding. Pure functions."""
