"""verify, compare, sweep and the pytest plugin."""
