"""Baseline files: NAME.baseline.toml beside the recipe."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from chainrun.errors import Problem, RecipeError, shown, shown_path
from chainrun.verify.facts import VERSION, from_one_line, unpacked
from chainrun.whole_file import write_whole

HEAD = """# What this recipe's render measured when it was accepted, by `chainrun verify --accept`. Not to be edited.
# Third octaves are dBFS from 16 Hz to 20 kHz; curves are loudness over time; -200 is silence or nothing.
# A sketch is a handful of sums of the sound, by which another render's distance from it can be told.
"""
LINES_OF = ("third_octaves_db", "curve_lufs")
NUMBERS = ("rate_hz", "n_channels", "n_frames", "integrated_lufs", "true_peak_dbtp", "curve_step_s")


def audio_path(baseline: Path, delivery: str) -> Path:
    """Where the baseline's audio of a delivery lies, if it was kept."""
    stem = baseline.name.removesuffix(".baseline.toml")
    return baseline.parent / f"{stem}.baseline.{Path(delivery).with_suffix('').as_posix().replace('/', '-')}.flac"


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
        facts: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise _refused(path, f"the baseline cannot be read ({error})") from error
    except tomllib.TOMLDecodeError as error:
        raise _refused(path, f"the baseline is damaged: {error}") from error
    version = facts.get("baseline")
    if not isinstance(version, int):
        raise _refused(path, "this is no baseline: the key `baseline` is missing")
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
    _check(path, facts)
    return facts


def _check(path: Path, facts: dict[str, Any]) -> None:
    for table in ("made_with", "settings", "deliveries", "nodes", "presets"):
        if not isinstance(facts.get(table), dict):
            raise _refused(path, "the baseline is damaged: a table is missing", key=table)
    for table in ("deliveries", "nodes"):
        for name, one in facts[table].items():
            key = f"{table}.{name}"
            if not isinstance(one, dict):
                raise _refused(path, "the baseline is damaged: this is no table", key=key)
            for number in NUMBERS:
                value = one.get(number)
                if not isinstance(value, int | float) or isinstance(value, bool):
                    raise _refused(path, "the baseline is damaged", key=f"{key}.{number}", given=shown(value))
            try:
                for line in LINES_OF:
                    from_one_line(one[line])
                unpacked(one["sketch"])
            except (KeyError, ValueError, TypeError, AttributeError) as error:
                raise _refused(path, f"the baseline is damaged: {error}", key=key) from error
