"""Tests: each says a promise, and where its expected value comes from."""
