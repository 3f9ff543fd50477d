"""Records whether this process is the program, or a host that uses chainrun as a library."""

from __future__ import annotations

_is_program = False


def run_as_program() -> None:
    """Declare this process the program, which may then start servers and change settings for its whole life."""
    global _is_program
    _is_program = True


def is_program() -> bool:
    """Whether this process is the program. In a host's process nothing of the process may be changed for good."""
    return _is_program
