"""Packs for strangers: whole, damaged, or traps."""
