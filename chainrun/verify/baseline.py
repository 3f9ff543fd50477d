"""Baseline files: NAME.baseline.toml beside the recipe."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Literal, Self
from urllib.parse import quote

import numpy as np
from pydantic import ConfigDict, Field, ValidationError, model_validator

from chainrun import toml_file
from chainrun.contract import StrictModel
from chainrun.errors import Problem, RecipeError, shown, shown_path
from chainrun.loudness.analysis import NOMINAL_HZ
from chainrun.recipe import Opened
from chainrun.verify.facts import VERSION, from_one_line, unpacked
from chainrun.verify.recordings import recording_of
from chainrun.whole_file import write_whole

HEAD = """# What this recipe's render measured when it was accepted, by `chainrun verify --accept`. Not to be edited.
# Third octaves are dBFS from 16 Hz to 20 kHz; curves are loudness over time; -200 is silence or nothing.
# Settings are what the recipe says, a line for each step, stem and bus.
# A sketch is a handful of sums of the sound, by which another render's distance from it can be told.
"""
MAX_TOLD = 5
LONGEST_LINE = 1 << 20


class _Generous(StrictModel):
    """Lines of a baseline may be long: a sketch grows with the music."""

    model_config = ConfigDict(str_max_length=LONGEST_LINE)


class Facts(_Generous):
    """What is known of a sound: a delivered file, or a node's print."""

    rate_hz: int = Field(ge=1)
    n_channels: int = Field(ge=1, le=64)
    n_frames: int = Field(ge=0)
    integrated_lufs: float
    momentary_max_lufs: float
    short_term_max_lufs: float
    range_lu: float
    true_peak_dbtp: float
    sample_peak_dbfs: float
    rms_dbfs: float
    correlation: float
    side_to_mid_db: float
    third_octaves_db: str
    curve_step_s: int = Field(ge=1, le=86400)
    curve_lufs: str
    sketch: str

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        bands, curve = from_one_line(self.third_octaves_db), from_one_line(self.curve_lufs)
        rows = -(-self.n_frames // (self.rate_hz * self.curve_step_s))
        if len(bands) != len(NOMINAL_HZ):
            raise ValueError("third_octaves_db has not one level for each band")
        if len(curve) > rows + 1 or not np.isfinite(np.concatenate([bands, curve])).all():
            raise ValueError("a curve is longer than the sound, or not all numbers")
        if len(unpacked(self.sketch)) != rows:
            raise ValueError("the sketch is not as long as the sound")
        return self


class OfDelivery(Facts):
    """A delivered file."""

    pcm_sha256: str
    encoding: str
    audio_sha256: str | None = None


class OfNode(Facts):
    """A node's print."""

    kind: str
    identity: str
    pcm_crc32: int
    readings: dict[str, float] = Field(default_factory=dict)


class OfRecording(_Generous):
    """A stem's files, as they are read."""

    rate_hz: int = Field(ge=1)
    n_frames: int = Field(ge=0)
    step_s: int = Field(ge=1, le=86400)
    waves: list[str] = Field(max_length=8)
    levels_db: list[str] = Field(max_length=8)
    peaks_db: list[str] = Field(max_length=8)

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if not len(self.waves) == len(self.levels_db) == len(self.peaks_db):
            raise ValueError("a channel lacks a line")
        recording_of(self.model_dump())
        return self


class BaselineFile(_Generous):
    """A baseline."""

    baseline: Literal[2]
    recipe: str
    variant: str
    recipe_hash: str
    made_with: dict[str, Any]
    presets: dict[str, str]
    settings: dict[str, str]
    deliveries: dict[str, OfDelivery]
    recordings: dict[str, OfRecording] = Field(default_factory=dict)
    nodes: dict[str, OfNode]


def audio_path(baseline: Path, delivery: str) -> Path:
    """Where the baseline's audio of a delivery lies, if it was kept: under its whole name, each its own."""
    stem = baseline.name.removesuffix(".baseline.toml")
    return baseline.parent / f"{stem}.baseline.{quote(delivery, safe='')}.flac"


def write(path: Path, facts: dict[str, Any]) -> None:
    """Write a baseline, whole. Raises ResourceError."""
    import tomli_w

    write_whole(path, HEAD + tomli_w.dumps(facts))


def _refused(path: Path, message: str, *, key: str = "", given: str | None = None) -> RecipeError:
    hint = "restore it from version control, or look at the mix and accept it anew: chainrun verify RECIPE --accept"
    return RecipeError(Problem(message, file=shown_path(path), key=key, given=given, hint=hint))


def read(path: Path) -> dict[str, Any]:
    """Read a baseline. Raises RecipeError for one that is damaged, or of a newer version."""
    try:
        facts: dict[str, Any] = toml_file.read(path)
    except (OSError, UnicodeDecodeError) as error:
        raise _refused(path, f"the baseline cannot be read ({getattr(error, 'strerror', None) or error})") from error
    except tomllib.TOMLDecodeError as error:
        raise _refused(path, f"the baseline is damaged: {error}") from error
    version = facts.get("baseline")
    if "baseline" not in facts:
        raise _refused(path, "this is no baseline: the key `baseline` is missing")
    if not isinstance(version, int) or isinstance(version, bool):
        raise _refused(path, "this is no version of a baseline", key="baseline", given=shown(version))
    if version != VERSION:
        raise RecipeError(
            Problem(
                "the baseline is of another version of chainrun",
                file=shown_path(path),
                key="baseline",
                given=str(version),
                allowed=str(VERSION),
                hint="update chainrun" if version > VERSION else "accept it anew: chainrun verify RECIPE --accept",
            )
        )
    try:
        BaselineFile.model_validate(facts)
    except ValidationError as error:
        raise RecipeError([_damage(path, one) for one in error.errors()[:MAX_TOLD]]) from error
    return facts


def _damage(path: Path, error: Any) -> Problem:
    key = ".".join(str(part) for part in error["loc"])
    given = shown(error["input"]) if error["type"] != "missing" else None
    return _refused(path, f"the baseline is damaged: {error['msg']}", key=key, given=given).problems[0]


def refuse_another(path: Path, facts: dict[str, Any], opened: Opened) -> None:
    """Raise RecipeError where the file at `path` is the baseline of another recipe or variant."""
    mine = (opened.path.name, opened.variant or "")
    given = (facts.get("recipe", mine[0]), facts.get("variant", mine[1]))
    if given != mine:
        raise RecipeError(
            Problem(
                "this is the baseline of another recipe or variant",
                file=shown_path(path),
                key="recipe",
                given=" ".join(str(one) for one in given if one),
                allowed=" ".join(one for one in mine if one),
                hint="was the recipe renamed? then delete this file and accept it anew; else rename one of the two",
            )
        )


def kept_already(path: Path) -> dict[str, Any]:
    """What lies at a baseline's place, damaged or not; nothing where nothing can be read."""
    try:
        return toml_file.read(path)
    except (OSError, ValueError):
        return {}
