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

    NO_RECIPE_FOUND = "no_recipe_found", "A job's patterns find no recipe."
    JOB_OF_SEVERAL_RECIPES = "job_of_several_recipes", "A name or an output folder is given to several recipes."
    TWO_JOBS_ONE_NAME = "two_jobs_one_name", "Two jobs have the same name."
    TWO_JOBS_ONE_FILE = "two_jobs_one_file", "Two jobs would write the same file."
    JOB_OVER_INPUT = "job_over_input", "A job would write over a file that a job reads."
    NO_SUCH_JOB = "no_such_job", "The file of jobs has no job of that name."
    BAD_SHARE = "bad_share", "A share of the jobs is not K/N."
    NO_CLUSTER_EXTRA = "no_cluster_extra", "The extra `cluster` is not installed."
    NO_CLUSTER_PLACE = "no_cluster_place", "The place of a cluster is neither local:N nor an address."
    NO_CLUSTER_SCHEDULER = "no_cluster_scheduler", "No scheduler answers at the address of the cluster."
    NO_CLUSTER_WORKERS = "no_cluster_workers", "The cluster has no workers."
    CLUSTER_SCHEDULER_DIED = "cluster_scheduler_died", "The scheduler of the cluster died while the batch ran."
    WRONG_CLUSTER_WORKER = "wrong_cluster_worker", "A worker of the cluster runs another program or version."
    CLUSTER_WORKER_WITHOUT_FILE = "cluster_worker_without_file", "A worker of the cluster does not see a file."

    # -- survey, draft, pages, packs -----------------------------------------------------------------------------

    NO_STEM_FOLDER = "no_stem_folder", "There is no such folder of stems."
    NO_AUDIO_FILES = "no_audio_files", "A folder of stems holds no audio files."
    MANY_CHANNELS_IN_FOLDER = "many_channels_in_folder", "A file of a bare folder has more than 2 channels."
    NO_SUCH_REFERENCE = "no_such_reference", "There is no stem of the name that arrivals are told against."
    DRAFT_INTO_FOLDER = "draft_into_folder", "A draft needs the name of a file, not of a folder."
    DRAFT_OVER_FILE = "draft_over_file", "A draft would be written over a file."
    NO_REPORT_EXTRA = "no_report_extra", "The extra `report`, which makes pages, is not installed."
    NO_PAGE_PLACE = "no_page_place", "A page is a folder, or a file called NAME.html."
    PAGE_CANNOT_BE_WRITTEN = "page_cannot_be_written", "The folder of a page cannot be made."
    NO_STRETCH_FOR_CLIPS = "no_stretch_for_clips", "The stretch of the clips is not in the session."
    NO_STEM_TO_SHOW = "no_stem_to_show", "There is no stem of that name that sounds."
    PACK_OVER_INPUT = "pack_over_input", "A pack would be written over a file that the recipe reads."
    PACK_CANNOT_BE_WRITTEN = "pack_cannot_be_written", "A pack could not be written."
    LICENCE_TOO_LONG = "licence_too_long", "A text is too long for a licence."
    LICENCE_CANNOT_BE_READ = "licence_cannot_be_read", "The text of a licence cannot be read."
    NO_PRINT_TO_PACK = "no_print_to_pack", "The print of a stem went from the store before it was packed."
    NO_PACK = "no_pack", "The file is no pack, or cannot be read as one."
    PACK_DAMAGED = "pack_damaged", "Files of a pack are missing, changed, or not in its list."
    PACK_UNSAFE = "pack_unsafe", "A pack would leave its folder, or unpack to more than it may."
    PACK_WITHOUT_RECIPE = "pack_without_recipe", "A pack holds one recipe; this one holds none or several."
