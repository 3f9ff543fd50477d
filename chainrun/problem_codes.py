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
    OPTIONS_CLASH = "options-clash", "Options of the command line do not go together."
    OPTION_VALUE = "bad-option-value", "The value of an option or argument is none that it takes."

    # -- files, folders, disk ------------------------------------------------------------------------------------

    # -- recipes, presets, overlays ------------------------------------------------------------------------------

    # -- stems and other audio -----------------------------------------------------------------------------------

    # -- rendering, store, workers -------------------------------------------------------------------------------

    # -- verify and compare --------------------------------------------------------------------------------------
    BASELINE_DAMAGED = "baseline-damaged", "A baseline cannot be read, or is not what was written."
    BASELINE_VERSION = "baseline-version", "A baseline is of another version of chainrun."
    BASELINE_OF_ANOTHER = "baseline-of-another", "A baseline belongs to another recipe or variant."
    NOT_MEASURED = "not-measured", "What is expected has no value in this render."
    PRINT_GONE = "print-gone", "A print that was just rendered is no longer in the store."
    ACCEPT_CHANGED_RECIPE = "accept-changed-recipe", "A recipe that is changed from outside cannot be accepted."
    ACCEPT_IN_CI = "accept-in-ci", "A baseline would be written where nobody listens."
    NOT_COMPARABLE = "not-comparable", "The two cannot be compared with each other, or in this way."
    BAD_SWEEP = "bad-sweep", "What is to be swept is no path with two values or more."

    # -- library and cull ----------------------------------------------------------------------------------------

    # -- batch and cluster ---------------------------------------------------------------------------------------

    # -- survey, draft, pages, packs -----------------------------------------------------------------------------
