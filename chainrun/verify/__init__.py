"""Tests recipes for regressions: compares a render with its baseline and with the recipe's own expectations."""
