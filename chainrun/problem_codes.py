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

    # -- command line, and what a program asks for ---------------------------------------------------------------
    BAD_COMMAND_LINE = "bad-command-line", "An option or argument of the command line is unknown or missing."
    OPTIONS_CLASH = "options-clash", "Options of the command line do not go together."
    OPTION_VALUE = "bad-option-value", "The value of an option or argument is none that it takes."
    UNKNOWN_WORD = "unknown-word", "There is nothing of the name that was asked for."
    FILE_EXISTS = "file-exists", "A file of this name is there already, and is not written over."
    NAME_NOT_UTF8 = "name-not-utf8", "A name cannot be written in UTF-8."
    UNKNOWN_LIMIT = "unknown-limit", "There is no limit of this name."
    BAD_LIMIT = "bad-limit", "A limit is not given as a name and a number."
    OVER_LIMIT = "over-limit", "A file or recipe would cost more than a limit allows."
    BAD_ENVIRONMENT = "bad-environment-variable", "An environment variable holds no value that it takes."
    NO_HOME_FOLDER = "no-home-folder", "There is no home folder for the store, and no other folder was named."
    STRETCH_OUTSIDE = "stretch-outside-session", "The stretch to deliver does not lie in the session."
    STRETCH_REVERSED = "stretch-reversed", "The stretch to deliver ends before it begins."
    WRONG_FILE_NAME = "wrong-file-name", "A file to be written needs a name of another form."

    # -- files, folders, disk ------------------------------------------------------------------------------------
    FILE_NOT_FOUND = "file-not-found", "There is no such file."
    FOLDER_NOT_FOUND = "folder-not-found", "There is no such folder."
    NOT_A_PLAIN_FILE = "not-a-plain-file", "What has this name is a folder, a pipe or a device, and no plain file."
    CANNOT_READ = "cannot-read", "The file cannot be read, or not to its end."
    CANNOT_WRITE = "cannot-write", "The file cannot be written."
    READING_OR_WRITING_FAILED = "reading-or-writing-failed", "The system gave up while something was read or written."
    OUTPUT_NOT_WRITABLE = "output-not-writable", "The output folder cannot be made or written to."
    NOT_ENOUGH_ROOM = "not-enough-room", "The disk has too little room for what would be written."
    OUT_OF_MEMORY = "out-of-memory", "There is not enough memory."
    UNUSABLE_PATH = "unusable-path", "The path is none that the system can use."
    OUTSIDE_ROOT = "outside-root", "The path leads out of the folders that the recipe may reach."

    # -- recipes, presets, overlays ------------------------------------------------------------------------------
    NOT_UTF8 = "not-utf8", "The file is no text in UTF-8."
    INVALID_TOML = "invalid-toml", "The file is not valid TOML."
    TOO_DEEP = "too-deep", "Arrays, tables or keys are nested deeper than any sensible file has them."
    UNKNOWN_VERSION = "unknown-version", "The file is written in a version of the grammar that is not known."
    UNKNOWN_KEY = "unknown-key", "The table has no such key."
    MISSING_KEY = "missing-key", "A key that is needed is missing."
    UNKNOWN_PROCESSOR = "unknown-processor", "There is no processor of this name."
    MISSING_PROCESSOR = "missing-processor", "A step names neither a processor nor a preset."
    UNKNOWN_KIND = "unknown-kind", "There is no such kind of item, as of an eq's bands."
    WRONG_TYPE = "wrong-type", "The value is of another type than the key takes."
    OUT_OF_RANGE = "out-of-range", "The value lies outside the range that the key takes."
    UNKNOWN_VALUE = "unknown-value", "The value is none of the words or numbers that the key takes."
    WRONG_LENGTH = "wrong-length", "A text, array or table is too short or too long."
    NOT_A_NAME = "not-a-name", "The value cannot be a name."
    KEYS_CLASH = "keys-clash", "Keys or values of one table exclude each other."
    KEYS_INCOMPLETE = "keys-incomplete", "A key needs another beside it."
    WRONG_ORDER = "wrong-order", "Values must rise, or one must come before another."
    STANDS_TWICE = "stands-twice", "The same thing is written twice where it may stand once."
    BAD_VALUE = "bad-value", "The value is not valid for another reason."
    NAME_TAKEN = "name-taken", "Another stem, bus or step has this name."
    UNKNOWN_BUS = "unknown-bus", "There is no bus of this name."
    UNKNOWN_NODE = "unknown-node", "There is no stem or bus of this name."
    IDLE_BUS = "idle-bus", "Nothing goes into the bus."
    SIGNAL_CIRCLE = "signal-circle", "The sound goes in a circle."
    UNKNOWN_FORMAT = "unknown-format", "The file's ending names no format that is written."
    FORMAT_CANNOT_HOLD = "format-cannot-hold", "The file's format does not hold what is asked for."
    DELIVERY_LEADS_OUT = "delivery-leads-out", "A delivery's name leads out of the output folder."
    DELIVERY_NAME = "bad-delivery-name", "A delivery's name lacks a part, or has a placeholder that is not known."
    DELIVERY_OF_NOTHING = "delivery-of-nothing", "There is nothing of the name that is to be delivered."
    DELIVERIES_COLLIDE = "deliveries-collide", "Two deliveries would write the same file."
    DELIVERY_AFTER_END = "delivery-after-end", "The delivery begins after the session's end."
    EXPECTATION_OF_NOTHING = "expectation-of-nothing", "What is expected speaks of something that is not there."
    PATH_MATCHES_NOTHING = "path-matches-nothing", "A path of an overlay, preset use or assignment leads to nothing."
    BAD_ASSIGNMENT = "bad-assignment", "A single value is not given as a path and a value that a recipe can hold."
    SEVERAL_ASSIGNMENTS = "several-assignments", "Several assignments are given as one."
    UNKNOWN_VARIANT = "unknown-variant", "The recipe has no variant of this name."
    BASE_CIRCLE = "base-circle", "Base recipes stand on each other in a circle."
    UNKNOWN_PRESET = "unknown-preset", "There is no preset of this name."
    AMBIGUOUS_PRESET = "ambiguous-preset", "More than one preset has, or had, this name."
    PRESET_CIRCLE = "preset-circle", "Presets use each other in a circle."
    RETIRED_PRESET = "retired-preset", "The recipe uses a preset that is retired."
    CHANGED_PRESET = "changed-preset", "A preset was changed since the recipe's mix was accepted."
    MORE_PROBLEMS = "more-problems", "There are more problems than are told one by one."

    # -- stems and other audio -----------------------------------------------------------------------------------
    NOT_AUDIO = "not-audio", "The file is not audio that can be read."
    NO_AUDIO = "no-audio", "The file is empty, or holds no frames."
    CUT_SHORT = "cut-short", "The audio file ends before its own header says."
    NOT_FINITE = "not-finite", "A value in the audio is not a number, or infinite."
    UNUSABLE_RATE = "unusable-rate", "The file's sampling rate cannot be used."
    UNUSABLE_CHANNELS = "unusable-channels", "The file has a number of channels that cannot be used here."
    NO_SUCH_CHANNEL = "no-such-channel", "The file or signal has no such channel."
    RATES_DIFFER = "rates-differ", "Two files that belong together have different rates."
    NOTHING_LEFT = "nothing-left", "Not one frame of the file is used."
    UNUSABLE_RESPONSE = "unusable-response", "An impulse response is too long or silent."
    NEEDS_STEREO = "needs-stereo", "The step or value needs a stereo signal, and there is a mono one."
    NEEDS_MONO = "needs-mono", "The step needs a mono signal, and there is a stereo one."
    NEEDS_TEMPO = "needs-tempo", "A time in beats needs the recipe's tempo."
    NEEDS_HIT_LEVEL = "needs-hit-level", "A threshold under the hits needs to know how loud they are."
    RATE_TOO_LOW = "rate-too-low", "The sampling rate cannot carry the frequency."
    BAND_TOO_NARROW = "band-too-narrow", "A band is too narrow for the filter that is to make it."
    UNEVEN_DECAY = "uneven-decay", "Octaves of a room would decay otherwise than asked."

    # -- rendering, store, workers -------------------------------------------------------------------------------
    DELIVERY_IN_THE_WAY = "delivery-in-the-way", "A delivery would land on an input, in the store, or on another mix."
    FOLDER_OF_ANOTHER_RECIPE = "folder-of-another-recipe", "The output would go into the folder of another recipe."
    STORE_NOT_WRITABLE = "store-not-writable", "The store cannot be written to."
    PRINT_NOT_WRITTEN = "print-not-written", "A print could not be written."
    PRINT_NOT_KEPT = "print-not-kept", "A finished print could not be put into the store."
    PRINT_DAMAGED = "print-damaged", "A print in the store is not what it was."
    LOG_NOT_WRITTEN = "log-not-written", "The log cannot be written."
    FILE_CHANGED = "file-changed", "A file changed while it was rendered."
    WORKER_DIED = "worker-died", "A worker process died."
    DEFECT = "defect", "The program has a defect."
    PRINT_GONE = "print-gone", "A print that was just rendered is no longer in the store."
    EXTRA_MISSING = "extra-missing", "An optional part of the program is not installed."

    # -- verify and compare --------------------------------------------------------------------------------------
    BASELINE_DAMAGED = "baseline-damaged", "A baseline cannot be read, or is not what was written."
    BASELINE_VERSION = "baseline-version", "A baseline is of another version of chainrun."
    BASELINE_OF_ANOTHER = "baseline-of-another", "A baseline belongs to another recipe or variant."
    NOT_MEASURED = "not-measured", "What is expected has no value in this render."
    ACCEPT_CHANGED_RECIPE = "accept-changed-recipe", "A recipe that is changed from outside cannot be accepted."
    ACCEPT_IN_CI = "accept-in-ci", "A baseline would be written where nobody listens."
    NOT_COMPARABLE = "not-comparable", "The two cannot be compared with each other, or in this way."
    BAD_SWEEP = "bad-sweep", "What is to be swept is no path with two values or more."

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
