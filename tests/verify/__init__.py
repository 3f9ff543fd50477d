"""Baselines, verdicts, reports for CI and the pytest plugin."""
