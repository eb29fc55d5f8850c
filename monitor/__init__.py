"""farpole: watches the margins of remote PoE fibre poles from the head-end box."""
