"""Limits on the cost of recipes and files from strangers; a user who trusts a file can raise them."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace

from chainrun.errors import Problem, UsageError, nearest
from chainrun.problem_codes import Code

VARIABLE = "CHAINRUN_LIMITS"


def _limit(value: float, unit: str, what: str) -> float:
    found: float = field(default=value, metadata={"unit": unit, "what": what})
    return found


@dataclass(frozen=True)
class Limits:
    """Maximum of each quantity, 0 or more."""

    toml_kb: float = _limit(512, "KB", "size of a recipe, preset, overlay or any other text file that is read")
    nodes: float = _limit(256, "", "stems and buses of a recipe")
    steps: float = _limit(4096, "", "steps and preset uses in all chains of a recipe")
    nesting: float = _limit(12, "", "chains inside chains, presets inside presets, bases below bases")
    file_gb: float = _limit(8, "GB", "size of an audio file or of a pack")
    length_s: float = _limit(14_400, "s", "length of an audio file, and of a session")
    channels: float = _limit(64, "", "channels of an audio file")
    rate_hz: float = _limit(384_000, "Hz", "sampling rate of an audio file, a session or a delivery")
    oversampling: float = _limit(16, "", "oversampling factor of a step")
    tail_s: float = _limit(120, "s", "max_tail_s of a recipe")
    memory_gb: float = _limit(4, "GB", "predicted memory of the steps of one chain")
    work_h: float = _limit(24, "h", "predicted processor time of a render")
    disk_gb: float = _limit(200, "GB", "predicted size of all prints and files of a render")

    @classmethod
    def of(cls, words: Iterable[str], environment: Mapping[str, str] | None = None) -> Limits:
        """Default limits, changed by CHAINRUN_LIMITS, then by `words` (NAME=VALUE). Raises UsageError."""
        known = {one.name: one for one in fields(cls)}
        words = [*(os.environ if environment is None else environment).get(VARIABLE, "").split(), *words]
        changed = {}
        for word in words:
            name, gap, text = word.partition("=")
            if not gap or name not in known:
                raise UsageError(
                    Problem(
                        "there is no such limit" if gap else "a limit must be written as NAME=VALUE",
                        given=f'"{word}"',
                        allowed=", ".join(known),
                        hint=nearest(name, known),
                        code=Code.UNKNOWN_LIMIT if gap else Code.BAD_LIMIT,
                    )
                )
            try:
                value = float(text)
            except ValueError:
                value = math.nan
            if not 0 <= value <= 1e15:
                raise UsageError(
                    Problem(
                        f"the limit {name} is not a valid number",
                        given=f'"{text}"',
                        allowed="0 to 1e15",
                        code=Code.BAD_LIMIT,
                        facts=(("limit", name),),
                    )
                )
            changed[name] = value
        return replace(cls(), **changed)

    def exceeded(self, name: str, value: float, what: str) -> Problem | None:
        """Problem with `value` if it is above the limit `name`, else None; `what` names the quantity."""
        limit = float(getattr(self, name))
        if value <= limit:
            return None
        unit = unit_of_limit(name)
        tail = f" {unit}" if unit else ""
        enough = _rounded_up(value)
        return Problem(
            f"{what} is above the limit {name}",
            given=f"{_figure(value, limit)}{tail}",
            allowed=f"at most {limit:g}{tail}",
            hint=f"if you trust it, raise the limit {name} to {enough:g}",
            code=Code.OVER_LIMIT,
            facts=(("limit", name), ("enough", enough)),
        )


def unit_of_limit(name: str) -> str:
    """Unit of a limit; empty for counts."""
    return next(str(one.metadata["unit"]) for one in fields(Limits) if one.name == name)


def limit_rows() -> list[tuple[str, float, str, str]]:
    """Name, default, unit and meaning of each limit."""
    return [(f.name, float(f.default), f.metadata["unit"], f.metadata["what"]) for f in fields(Limits)]  # type: ignore[arg-type]


def _figure(value: float, limit: float) -> str:
    """Text of a value above the limit, with enough digits to differ from it."""
    short = f"{value:.4g}"
    return f"{value:.10g}" if float(short) <= limit else f"{float(short):.10g}"


def _rounded_up(value: float) -> float:
    """Value rounded up to two significant digits."""
    if value <= 0 or not math.isfinite(value):
        return value
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.ceil(value / step) * step
