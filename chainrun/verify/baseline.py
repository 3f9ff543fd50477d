"""Reads and writes baselines: NAME.baseline.toml beside the recipe."""

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

ACCEPT_AGAIN: Facts = (("mended_by", "accept"),)
"""Facts of problems that accepting the recipe again solves."""
HEAD = """# Baseline: measurements of the accepted render. Written by `chainrun verify --accept`; do not edit.
# Third octaves: dBFS, from 16 Hz to 20 kHz. Curves: loudness over time. -200: silence, or not measured.
# Settings: the recipe's own, one line for each step, stem and bus.
# Sketches: sums of the K-weighted sound, from which the residual of another render is estimated.
"""
VERSION: Literal[1] = 1
MAX_PROBLEMS = 5
"""Maximum number of problems of a damaged baseline that are shown."""


class Baseline(LongLines):
    """Facts about an accepted render: settings, deliveries, recordings and nodes."""

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
        """The tables of the file, in their order."""
        return {
            **self.model_dump(exclude={"deliveries", "recordings", "nodes"}),
            "deliveries": {name: one.record() for name, one in self.deliveries.items()},
            "recordings": {name: one.model_dump() for name, one in self.recordings.items()},
            "nodes": {name: one.record() for name, one in self.nodes.items()},
        }


def audio_path(baseline: Path, delivery: str) -> Path:
    """Path of the kept audio of a delivery; its name holds the delivery's whole path, so that no two collide."""
    stem = baseline.name.removesuffix(ENDING)
    return baseline.parent / f"{stem}.baseline.{quote(delivery, safe='')}.flac"


def write(path: Path, baseline: Baseline) -> None:
    """Write a baseline in one piece or not at all. Raises ResourceError."""
    write_whole(path, text_of(baseline))


def text_of(baseline: Baseline) -> str:
    """The text of a baseline's file."""
    import tomli_w

    return HEAD + tomli_w.dumps(baseline.record())


def read(path: Path) -> Baseline:
    """Read a baseline. Raises RecipeError if it is damaged or of another version."""
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
        raise _refused(path, "this is not a baseline: the key `grammar` is missing")
    if not isinstance(version, int) or isinstance(version, bool):
        raise _refused(path, "the baseline's version is not a whole number", key="grammar", given=shown(version))
    if version != VERSION:
        raise RecipeError(
            Problem(
                "the baseline was written by another version of chainrun",
                file=shown_path(path),
                key="grammar",
                given=str(version),
                allowed=str(VERSION),
                hint="update chainrun" if version > VERSION else "accept the recipe again",
                code=Code.BASELINE_VERSION,
                facts=() if version > VERSION else ACCEPT_AGAIN,
            )
        )


def _refused(path: Path, message: str, *, key: str = "", given: str | None = None) -> RecipeError:
    hint = "restore it from version control, or check the mix and accept it again"
    file, code = shown_path(path), Code.BASELINE_DAMAGED
    return RecipeError(
        Problem(message, file=file, key=key, given=given, hint=hint, code=code, facts=ACCEPT_AGAIN),
    )


def _damage(path: Path, error: ErrorDetails) -> Problem:
    key = ".".join(str(part) for part in error["loc"])
    given = shown(error["input"]) if error["type"] != "missing" else None
    return _refused(path, f"the baseline is damaged: {error['msg']}", key=key, given=given).problems[0]


def refuse_another(path: Path, opened: Opened) -> None:
    """Raise RecipeError if the file at `path` is the baseline of another recipe or variant."""
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
                hint="if the recipe was renamed, delete this file and accept it again; else rename one of the two",
                code=Code.BASELINE_OF_ANOTHER,
            )
        )


def kept_deliveries(path: Path) -> list[str]:
    """Names of the deliveries in a baseline, damaged or not; empty if it cannot be read."""
    table = _table_at(path).get("deliveries")
    return list(table) if isinstance(table, dict) else []


def _table_at(path: Path) -> dict[str, object]:
    """The table of a baseline's file, valid or not; empty if it cannot be read."""
    try:
        return toml_file.read(path)
    except (OSError, ValueError):
        return {}
