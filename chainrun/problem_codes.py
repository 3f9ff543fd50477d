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
    WRONG_FILE_NAME = "wrong-file-name", "A file to be written needs a name of another form."
    FILE_EXISTS = "file-exists", "A file of this name is there already, and is not written over."

    # -- files, folders, disk ------------------------------------------------------------------------------------
    FILE_NOT_FOUND = "file-not-found", "There is no such file."
    FOLDER_NOT_FOUND = "folder-not-found", "There is no such folder."
    CANNOT_READ = "cannot-read", "The file cannot be read, or not to its end."
    CANNOT_WRITE = "cannot-write", "The file cannot be written."
    OUTSIDE_ROOT = "outside-root", "The path leads out of the folders that the recipe may reach."

    # -- recipes, presets, overlays ------------------------------------------------------------------------------
    INVALID_TOML = "invalid-toml", "The file is not valid TOML."
    MISSING_KEY = "missing-key", "A key that is needed is missing."
    BAD_VALUE = "bad-value", "The value is not valid for another reason."
    STANDS_TWICE = "stands-twice", "The same thing is written twice where it may stand once."
    UNKNOWN_PRESET = "unknown-preset", "There is no preset of this name."
    AMBIGUOUS_PRESET = "ambiguous-preset", "More than one preset has, or had, this name."
    PRESET_CIRCLE = "preset-circle", "Presets use each other in a circle."

    # -- stems and other audio -----------------------------------------------------------------------------------

    # -- rendering, store, workers -------------------------------------------------------------------------------

    # -- verify and compare --------------------------------------------------------------------------------------

    # -- library and cull ----------------------------------------------------------------------------------------
    NO_PRESET_LIBRARY = "no-preset-library", "No preset library was named, and there is none in its usual place."
    NO_RECIPE_MATCHES = "no-recipe-matches", "No recipe has a name that goes with the pattern."
    SUCCESSOR_CIRCLE = "successor-circle", "The successors of retired presets lead round in a circle."
    SUCCESSOR_RETIRED = "successor-retired", "The preset that is to take another one's place is retired itself."
    SUCCESSOR_CULLED = "successor-culled", "The preset that is to take another one's place is culled in the same plan."
    SUCCESSOR_HOLDS_IT = "successor-holds-it", "A preset would be replaced by one that holds it, and so by itself."
    CULL_AT_WORK = "cull-at-work", "Another cull works on this plan or in this library."
    CULL_INTERRUPTED = "cull-interrupted", "An earlier cull was interrupted, and is to be finished or taken back first."
    CULL_PLAN_CHANGED = "cull-plan-changed", "The plan was changed since its apply was interrupted."
    CULL_RECORD_DAMAGED = "cull-record-damaged", "The journal or the record of a cull is not what a cull writes."
    NO_CULL_RECORD = "no-cull-record", "There is no record by which this cull could be taken back."
    LATER_CULL = "later-cull", "A later cull stands on this one, and is to be taken back first."
    STATUS_NOT_PUT = "status-not-put", "A preset's new status cannot be put into its file without another change."
    CHANGED_SINCE_CULL = "changed-since-cull", "A file that a cull wrote or moved was changed since, and stays."
    PLACE_TAKEN = "place-taken", "Another file stands where a preset would go back to."
    PRESET_MISPLACED = "preset-misplaced", "A preset of an interrupted cull is missing, or is there twice."
    NOT_TAKEN_BACK = "not-taken-back", "What a cull had begun could not be taken back either."
    NOTHING_CHANGED = "nothing-changed", "A cull failed, and all is as it was before it."

    # -- batch and cluster ---------------------------------------------------------------------------------------

    # -- survey, draft, pages, packs -----------------------------------------------------------------------------
