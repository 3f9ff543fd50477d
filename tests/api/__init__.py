"""`import chainrun` as a library."""
