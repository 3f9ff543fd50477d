"""The preset library over years: what is alike, what is used, and a cull that can be killed, taken back and repeated."""
