"""Counts the function calls of a piece of the program: a measure of its work that no busy machine changes."""

from __future__ import annotations

import sys
import threading


class Work:
    """with Work() as work: …; then work.calls is how many functions were called, in this and in begun threads."""

    def __init__(self):
        self.calls = 0

    def _hear(self, frame, event, argument):
        if event in ("call", "c_call"):
            self.calls += 1

    def __enter__(self):
        threading.setprofile(self._hear)
        sys.setprofile(self._hear)
        return self

    def __exit__(self, *error):
        sys.setprofile(None)
        threading.setprofile(None)
