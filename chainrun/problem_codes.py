"""The stable codes of problems: programs decide by them, never by a sentence. `chainrun explain errors` lists them.

A code stays, whatever its sentences become. Several sentences may have one code.
"""

from __future__ import annotations

from enum import StrEnum


class Code(StrEnum):
    """A kind of problem, and in `about` what it means in one sentence."""

    about: str

    def __new__(cls, value: str, about: str) -> Code:
        """Make a code of its word and its meaning."""
        made = str.__new__(cls, value)
        made._value_, made.about = value, about
        return made

    UNSORTED = "unsorted", "A problem that has no code yet."

    # -- command line, and what a program asks for ---------------------------------------------------------------

    # -- files, folders, disk ------------------------------------------------------------------------------------

    # -- recipes, presets, overlays ------------------------------------------------------------------------------

    # -- stems and other audio -----------------------------------------------------------------------------------

    # -- rendering, store, workers -------------------------------------------------------------------------------

    DEFECT = "defect", "The program has a defect; the line names its report."
    OUT_OF_MEMORY = "out_of_memory", "There is not enough memory."
    CANNOT_READ_OR_WRITE = "cannot_read_or_write", "The system refused to read or write a file."

    # -- verify and compare --------------------------------------------------------------------------------------

    # -- library and cull ----------------------------------------------------------------------------------------

    # -- batch and cluster ---------------------------------------------------------------------------------------

    # -- survey, draft, pages, packs -----------------------------------------------------------------------------
