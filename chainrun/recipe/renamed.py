"""Names that files of older versions use, and their names today: which key, in which table.

A `Spot` is a kind of table (or of array) inside a file. It lists its renamed keys and says what is inside a key.
Dotted paths of overlays are followed token by token through the same spots.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any


class FileKind(Enum):
    """Kinds of TOML file, by the ending of their names."""

    RECIPE = ".recipe.toml"
    PRESET = ".preset.toml"
    OVERLAY = ".overlay.toml"
    JOBS = ".jobs.toml"
    CULL = ".cull.toml"
    BASELINE = ".baseline.toml"

    @classmethod
    def of_name(cls, name: str) -> FileKind | None:
        """The kind that a file's name says, or None."""
        return next((kind for kind in cls if name.endswith(kind.value)), None)


OLD_HEADS = {
    FileKind.RECIPE: "recipe",
    FileKind.PRESET: "preset",
    FileKind.OVERLAY: "overlay",
    FileKind.JOBS: "jobs",
    FileKind.CULL: "cull",
}
"""The version word of older files; `grammar` today."""
GRAMMAR = "grammar"


class Change:
    """Change of a value together with its key; this base class leaves the value unchanged."""


@dataclass(frozen=True)
class Words(Change):
    """Values that have another word today."""

    today: Mapping[object, object]


@dataclass(frozen=True)
class PerCent(Change):
    """A share of 1 is in per cent today."""


@dataclass(frozen=True)
class AsTable(Change):
    """A bare number is a table of one key today, or a pair of numbers one of two keys."""

    keys: tuple[str, ...]
    replaces: tuple[tuple[str, str], ...] = ()
    """Keys that the table needs where it is laid over another one: the bare number replaced that as a whole."""
    in_overlay: bool = False
    """Whether it is laid over another table, so that `replaces` counts."""

    @property
    def more(self) -> tuple[tuple[str, str], ...]:
        """Keys and texts that come after the numbers."""
        return self.replaces if self.in_overlay else ()


@dataclass(frozen=True)
class Rename:
    """A key's name today, and how its value changes."""

    new: str
    change: Change | None = None


@dataclass(frozen=True)
class Spot:
    """A kind of table or array: its renamed keys, and what its keys hold."""

    renames: Mapping[str, Rename] = field(default_factory=dict)
    inside: Mapping[str, Callable[[], Spot]] = field(default_factory=dict)
    """Tables and arrays by key."""
    members: Callable[[str, Any], Spot] | None = None
    """Finds the spot of an item, or of a key with a chosen name, from its token and its value (None in a path)."""
    item_change: Change | None = None
    """How members change that are no tables yet."""
    is_dotted: bool = False
    """Whether its keys are paths with dots."""
    needs: tuple[str, str] | None = None
    """A key that every such item of an array needs today, and the value that an older item without it has."""
    needs_in_old: tuple[str, str] | None = None
    """The same, in files of the older grammar alone, for every step with a `do`."""

    def at(self, token: str, value: Any) -> tuple[Rename | None, Change | None, Spot]:
        """For a key or item: its renaming, how its value changes, and the spot inside it."""
        rename = self.renames.get(token)
        if token in self.inside:
            return rename, None, self.inside[token]()
        if self.members is not None:
            return rename, self.item_change, self.members(token, value)
        return rename, None, NOWHERE


NOWHERE = Spot()


def _each(spot: Callable[[], Spot], change: Change | None = None) -> Callable[[], Spot]:
    return lambda: Spot(members=lambda _token, _value: spot(), item_change=change)


def _threshold() -> dict[str, Rename]:
    return {"threshold_db": Rename("threshold_dbfs")}


_KEY_TAPS = Rename("tap", Words({"raw": "before_chain", "chain": "after_chain"}))
_SHARES = _each(lambda: NOWHERE, PerCent())
STEPS: dict[str, dict[str, Rename]] = {
    "compressor": _threshold(),
    "expander": _threshold(),
    "gate": _threshold(),
    "saturate": {"level_db": Rename("makeup_db"), "bias": Rename("bias_pct", PerCent())},
    "convolve": {"gain_db": Rename("wet_db"), "longest_s": Rename("max_length_s")},
    "declip": {"most_db": Rename("max_over_threshold_db"), "longest_ms": Rename("max_run_ms")},
    "room": {"spread_pct": Rename("width_pct"), "absorption": Rename("absorption_pct", PerCent())},
    "hum": {"notch_hz": Rename("bandwidth_hz")},
    "split": {"order": Rename("slope_db_per_octave", Words({4: 24, 8: 48}))},
    "polarity": {"channel": Rename("acts_on")},
}
BANDS: dict[str, dict[str, Rename]] = {
    "eq": {"channel": Rename("acts_on"), "slope": Rename("steepness_pct", PerCent())},
    "dynamic_eq": _threshold(),
}
_AMBIGUOUS = {"gain_db"}
"""Keys that some step still has: in a path whose step is not known they stay."""


def _union(tables: dict[str, dict[str, Rename]]) -> dict[str, Rename]:
    return {key: one for table in tables.values() for key, one in table.items() if key not in _AMBIGUOUS}


SHELVES = ("low_shelf", "high_shelf")
"""The kinds of band that had a `slope`; others have a slope in dB per octave."""


def _band(do: str | None, value: Any = None) -> Spot:
    if do == "split":
        return Spot(inside={"chain": chain})
    renames = BANDS.get(do, {}) if do is not None else _union(BANDS)
    kind = value.get("kind") if isinstance(value, dict) else None
    if kind is not None and kind not in SHELVES:
        renames = {key: one for key, one in renames.items() if key != "slope"}
    needs = ("kind", "bell") if do == "dynamic_eq" else None
    return Spot(renames, {"chain": chain} if do is None else {}, needs=needs)


def step(do: str | None) -> Spot:
    """The spot of a step by its `do`; None where a path does not say it."""
    renames = STEPS.get(do, {}) if do is not None else _union(STEPS)
    return Spot(
        renames,
        {
            "key": lambda: Spot({"tap": _KEY_TAPS}),
            "bands": lambda: Spot(members=lambda _token, value: _band(do, value)),
            "branches": _each(lambda: Spot(inside={"chain": chain})),
            "absorption": _SHARES,
            "set": changes,
        },
        # In a preset inside a preset the path goes on with a step of the inner one.
        members=(lambda _token, _value: step(None)) if do is None else None,
        needs_in_old=("level", "physical") if do == "room" else None,
    )


def _step_of(_token: str, value: Any) -> Spot:
    """The step of a chain by its own `do`; a path does not say which step it means, as any may have any name."""
    if isinstance(value, dict) and "preset" in value:
        return step("preset")
    do = value.get("do") if isinstance(value, dict) else None
    return step(do if isinstance(do, str) else None)


def chain() -> Spot:
    """The steps of a chain."""
    return Spot(members=_step_of)


def changes() -> Spot:
    """The `set` of a preset use: paths inside the preset's chain."""
    return Spot(members=_step_of, is_dotted=True)


def _strip(more: Mapping[str, Rename]) -> Spot:
    ride, active = ("at_s", "gain_db"), ("from_s", "to_s")
    point, stretch = ({str(i): Rename(key) for i, key in enumerate(keys)} for keys in (ride, active))
    return Spot(
        {"level_points_db": Rename("ride"), "active_s": Rename("active"), **more},
        {
            "chain": chain,
            "sends": lambda: Spot(
                members=lambda _token, _value: _SEND, item_change=AsTable(("level_db",), (("tap", "after_fader"),))
            ),
            "level_points_db": _each(lambda: Spot(point), AsTable(ride)),
            "active_s": _each(lambda: Spot(stretch), AsTable(active)),
        },
    )


_SEND = Spot({"before_fader": Rename("tap", Words({True: "after_chain", False: "after_fader"}))})
_DELIVERY = Spot(
    {
        "tap": Rename("tap", Words({"chain": "after_chain", "fader": "after_fader"})),
        "channels": Rename("layout"),
        "fit": Rename("fit", Words({"limit": "limiter"})),
    }
)
_EXPECTATION = Spot({"at_least": Rename("min"), "at_most": Rename("max"), "from": Rename("min"), "to": Rename("max")})
_RECIPE_TABLES: dict[str, Callable[[], Spot]] = {
    "stems": _each(lambda: _strip({"source": Rename("microphone")})),
    "buses": _each(lambda: _strip({})),
    "main": lambda: Spot(inside={"chain": chain}),
    "deliver": _each(lambda: _DELIVERY),
    "variants": _each(lambda: overlay()),
    "expect": lambda: Spot(inside={"tolerance": lambda: NOWHERE}, members=lambda _token, _value: _EXPECTATION),
}
_RECIPE_KEYS = {"tail_max_s": Rename("max_tail_s")}


def overlay() -> Spot:
    """An overlay, or a variant: paths from the recipe's top."""
    return Spot({**_RECIPE_KEYS, "overlay": Rename(GRAMMAR)}, _RECIPE_TABLES, is_dotted=True)


_JOB = Spot(inside={"set": overlay})
SPOTS: dict[FileKind, Callable[[], Spot]] = {
    FileKind.RECIPE: lambda: Spot({**_RECIPE_KEYS, "recipe": Rename(GRAMMAR)}, _RECIPE_TABLES),
    FileKind.PRESET: lambda: Spot({"preset": Rename(GRAMMAR)}, {"chain": chain}),
    FileKind.OVERLAY: overlay,
    FileKind.JOBS: lambda: Spot({"jobs": Rename(GRAMMAR)}, {"defaults": lambda: _JOB, "job": _each(lambda: _JOB)}),
    FileKind.CULL: lambda: Spot({"cull": Rename(GRAMMAR), "max_level_lu": Rename("max_level_change_lu")}),
}
"""The top of each kind of file."""


def spot_of(*tokens: str) -> Spot:
    """The spot in a recipe that a path leads to."""
    spot = SPOTS[FileKind.RECIPE]()
    for token in tokens:
        _, _, spot = spot.at(token, None)
    return spot
