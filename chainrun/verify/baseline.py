"""Baseline files: NAME.baseline.toml beside the recipe."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Literal
from urllib.parse import quote

from pydantic import Field, JsonValue, ValidationError
from pydantic_core import ErrorDetails

from chainrun import toml_file
from chainrun.errors import Facts, Problem, RecipeError, shown, shown_path
from chainrun.problem_codes import Code
from chainrun.recipe import Opened
from chainrun.verify.changed import ENDING
from chainrun.verify.facts import DeliveryFacts, LongLines, NodeFacts, RecordingFacts
from chainrun.verify.old_baseline import is_old, todays_baseline
from chainrun.whole_file import write_whole

ACCEPT_ANEW: Facts = (("mended_by", "accept"),)
"""What mends a baseline that cannot be read."""
HEAD = """# What this recipe's render measured when it was accepted, by `chainrun verify --accept`. Not to be edited.
# Third octaves are dBFS from 16 Hz to 20 kHz; curves are loudness over time; -200 is silence or nothing.
# Settings are what the recipe says, a line for each step, stem and bus.
# A sketch is a handful of sums of the sound, by which another render's distance from it can be told.
"""
VERSION: Literal[1] = 1
MAX_PROBLEMS = 5
"""So many of the problems of a damaged baseline are shown."""


class Baseline(LongLines):
    """All that is kept of a render: what it was made from, and what is known of its files, recordings and nodes."""

    grammar: Literal[1]
    recipe: str
    variant: str
    recipe_hash: str
    made_with: dict[str, JsonValue]
    presets: dict[str, str]
    settings: dict[str, str]
    deliveries: dict[str, DeliveryFacts]
    recordings: dict[str, RecordingFacts] = Field(default_factory=dict)
    nodes: dict[str, NodeFacts]

    def record(self) -> dict[str, object]:
        """As the tables of its file, in their order."""
        return {
            **self.model_dump(exclude={"deliveries", "recordings", "nodes"}),
            "deliveries": {name: one.record() for name, one in self.deliveries.items()},
            "recordings": {name: one.model_dump() for name, one in self.recordings.items()},
            "nodes": {name: one.record() for name, one in self.nodes.items()},
        }


def audio_path(baseline: Path, delivery: str) -> Path:
    """Where the baseline's audio of a delivery lies, if it was kept: under its whole name, each its own."""
    stem = baseline.name.removesuffix(ENDING)
    return baseline.parent / f"{stem}.baseline.{quote(delivery, safe='')}.flac"


def write(path: Path, baseline: Baseline) -> None:
    """Write a baseline, whole. Raises ResourceError."""
    write_whole(path, text_of(baseline))


def text_of(baseline: Baseline) -> str:
    """A baseline as its file holds it."""
    import tomli_w

    return HEAD + tomli_w.dumps(baseline.record())


def read(path: Path) -> Baseline:
    """Read a baseline. Raises RecipeError for one that is damaged, or of another version."""
    try:
        table: dict[str, object] = toml_file.read(path)
    except (OSError, UnicodeDecodeError) as error:
        raise _refused(path, f"the baseline cannot be read ({getattr(error, 'strerror', None) or error})") from error
    except tomllib.TOMLDecodeError as error:
        raise _refused(path, f"the baseline is damaged: {error}") from error
    if is_old(table):
        table = todays_baseline(table)
    _refuse_version(path, table)
    try:
        return Baseline.model_validate(table)
    except ValidationError as error:
        raise RecipeError([_damage(path, one) for one in error.errors()[:MAX_PROBLEMS]]) from error


def _refuse_version(path: Path, table: dict[str, object]) -> None:
    version = table.get("grammar", table.get("baseline"))
    if "grammar" not in table and "baseline" not in table:
        raise _refused(path, "this is no baseline: the key `grammar` is missing")
    if not isinstance(version, int) or isinstance(version, bool):
        raise _refused(path, "this is no version of a baseline", key="grammar", given=shown(version))
    if version != VERSION:
        raise RecipeError(
            Problem(
                "the baseline is of another version of chainrun",
                file=shown_path(path),
                key="grammar",
                given=str(version),
                allowed=str(VERSION),
                hint="update chainrun" if version > VERSION else "accept it anew",
                code=Code.BASELINE_VERSION,
                facts=() if version > VERSION else ACCEPT_ANEW,
            )
        )


def _refused(path: Path, message: str, *, key: str = "", given: str | None = None) -> RecipeError:
    hint = "restore it from version control, or look at the mix and accept it anew"
    file, code = shown_path(path), Code.BASELINE_DAMAGED
    return RecipeError(
        Problem(message, file=file, key=key, given=given, hint=hint, code=code, facts=ACCEPT_ANEW),
    )


def _damage(path: Path, error: ErrorDetails) -> Problem:
    key = ".".join(str(part) for part in error["loc"])
    given = shown(error["input"]) if error["type"] != "missing" else None
    return _refused(path, f"the baseline is damaged: {error['msg']}", key=key, given=given).problems[0]


def refuse_another(path: Path, opened: Opened) -> None:
    """Raise RecipeError where the file at `path` is the baseline of another recipe or variant."""
    table = _table_at(path)
    mine = (opened.path.name, opened.variant or "")
    given = (table.get("recipe", mine[0]), table.get("variant", mine[1]))
    if given != mine:
        raise RecipeError(
            Problem(
                "this is the baseline of another recipe or variant",
                file=shown_path(path),
                key="recipe",
                given=" ".join(str(one) for one in given if one),
                allowed=" ".join(one for one in mine if one),
                hint="was the recipe renamed? then delete this file and accept it anew; else rename one of the two",
                code=Code.BASELINE_OF_ANOTHER,
            )
        )


def kept_deliveries(path: Path) -> list[str]:
    """The names of the deliveries in a baseline, damaged or not; none where none can be read."""
    table = _table_at(path).get("deliveries")
    return list(table) if isinstance(table, dict) else []


def _table_at(path: Path) -> dict[str, object]:
    """What lies at a baseline's place, damaged or not; nothing where nothing can be read."""
    try:
        return toml_file.read(path)
    except (OSError, ValueError):
        return {}
