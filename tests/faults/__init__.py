"""Nothing is lost and nothing half is left, whatever fails: writing, reading, the place where the program stands."""
