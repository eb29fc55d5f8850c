"""Tables, store and migrations: SQL in one room, plain records in and out."""
