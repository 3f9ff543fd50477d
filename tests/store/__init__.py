"""Prints that are kept: never lost, mixed up or half-written."""
