"""Whether this process is the program, or a library in somebody else's."""

from __future__ import annotations

_is_program = False


def run_as_program() -> None:
    """Say that this process is the program: what it sets up for itself may live as long as it does."""
    global _is_program
    _is_program = True


def is_program() -> bool:
    """Whether this process is the program. A library leaves its host's process as it was."""
    return _is_program
