"""Promises of every processor, checked over all of them."""
