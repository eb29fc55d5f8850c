"""Many sites: parcels carried from each head-end to one centre, and cursors back. No SQL, no alarm logic, no clock."""
