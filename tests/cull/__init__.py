"""The preset library over years: likeness, uses, and a cull that can be killed, undone and repeated."""
