"""Tests: each name states a promise; each expected value has its source beside it."""
