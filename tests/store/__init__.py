"""Cached prints are never lost, mixed up or half-written."""
