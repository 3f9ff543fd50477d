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
    UNKNOWN_WORD = "unknown-word", "There is nothing of the name that was asked for."
    FILE_EXISTS = "file-exists", "A file of this name is there already, and is not written over."
    STRETCH_OUTSIDE = "stretch-outside-session", "The stretch to deliver does not lie in the session."

    # -- files, folders, disk ------------------------------------------------------------------------------------
    FILE_NOT_FOUND = "file-not-found", "There is no such file."
    FOLDER_NOT_FOUND = "folder-not-found", "There is no such folder."
    NOT_A_PLAIN_FILE = "not-a-plain-file", "What has this name is a folder, a pipe or a device, and no plain file."
    CANNOT_READ = "cannot-read", "The file cannot be read, or not to its end."
    CANNOT_WRITE = "cannot-write", "The file cannot be written."
    READING_OR_WRITING_FAILED = "reading-or-writing-failed", "The system gave up while something was read or written."
    OUTPUT_NOT_WRITABLE = "output-not-writable", "The output folder cannot be made or written to."
    OUT_OF_MEMORY = "out-of-memory", "There is not enough memory."
    UNUSABLE_PATH = "unusable-path", "The path is none that the system can use."
    OUTSIDE_ROOT = "outside-root", "The path leads out of the folders that the recipe may reach."

    # -- recipes, presets, overlays ------------------------------------------------------------------------------
    DELIVERIES_COLLIDE = "deliveries-collide", "Two deliveries would write the same file."

    # -- stems and other audio -----------------------------------------------------------------------------------
    UNUSABLE_CHANNELS = "unusable-channels", "The file has a number of channels that cannot be used here."

    # -- rendering, store, workers -------------------------------------------------------------------------------
    DELIVERY_IN_THE_WAY = "delivery-in-the-way", "A delivery would land on an input, in the store, or on another mix."
    DEFECT = "defect", "The program has a defect."
    PRINT_GONE = "print-gone", "A print that was just rendered is no longer in the store."
    EXTRA_MISSING = "extra-missing", "An optional part of the program is not installed."

    # -- verify and compare --------------------------------------------------------------------------------------

    # -- library and cull ----------------------------------------------------------------------------------------

    # -- batch and cluster ---------------------------------------------------------------------------------------
    NO_RECIPE_FOUND = "no-recipe-found", "A job's patterns find no recipe."
    JOB_OF_SEVERAL_RECIPES = "job-of-several-recipes", "A name or an output folder is given to several recipes."
    TWO_JOBS_ONE_NAME = "two-jobs-one-name", "Two jobs have the same name."
    NO_CLUSTER_SCHEDULER = "no-cluster-scheduler", "No scheduler answers at the address of the cluster."
    NO_CLUSTER_WORKERS = "no-cluster-workers", "The cluster has no workers."
    CLUSTER_SCHEDULER_DIED = "cluster-scheduler-died", "The scheduler of the cluster died while the batch ran."
    WRONG_CLUSTER_WORKER = "wrong-cluster-worker", "A worker of the cluster runs another program or version."
    CLUSTER_WORKER_WITHOUT_FILE = "cluster-worker-without-file", "A worker of the cluster does not see a file."

    # -- survey, draft, pages, packs -----------------------------------------------------------------------------
    NO_AUDIO_FILES = "no-audio-files", "A folder of stems holds no audio files."
    PACK_OVER_INPUT = "pack-over-input", "A pack would be written over a file that the recipe reads."
    LICENCE_TOO_LONG = "licence-too-long", "A text is too long for a licence."
    NO_PACK = "no-pack", "The file is no pack, or cannot be read as one."
    PACK_DAMAGED = "pack-damaged", "Files of a pack are missing, changed, or not in its list."
    PACK_UNSAFE = "pack-unsafe", "A pack would leave its folder, or unpack to more than it may."
    PACK_WITHOUT_RECIPE = "pack-without-recipe", "A pack holds one recipe; this one holds none or several."
