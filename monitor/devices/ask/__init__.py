"""One file a protocol: the only places with their libraries."""
