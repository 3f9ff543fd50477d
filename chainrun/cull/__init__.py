"""The preset library over years: what is in it, what is alike, what is used where, and the yearly cull."""
