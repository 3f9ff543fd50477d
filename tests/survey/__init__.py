"""The survey against the truth of generated sessions, and against recordings put together with known faults."""
