"""The command ``farpole``: one file a group of commands; heavy libraries are imported only where used."""
