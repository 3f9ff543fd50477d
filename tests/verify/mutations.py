"""Seeded changes of the demo recipe and faults of an engine, and whether verify sees them; for tests and the bench."""

from __future__ import annotations

import random
import sys
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path

import soundfile
import tomli_w

from chainrun.cli import app
from chainrun.comparison.difference import difference
from chainrun.comparison.limits import Floor
from chainrun.recipe import open_recipe
from chainrun.verify.run import VerifyOptions, accept, verify_recipe
from tests.signals import copy_of_demo

MARGIN_LU = 5.0
"""A sketch gives one second within 1.5 dB (one standard deviation), and there are many seconds."""


@dataclass
class Change:
    """A changed recipe: its change, and the node in which it must be seen first (None: in the delivery)."""

    name: str
    table: dict
    node: str | None


@dataclass
class Seen:
    """The verifier's result for a change."""

    change: Change
    residual_lu: float
    """Over all or in the second in which most differs, whichever is more."""
    audible: bool
    failed: bool
    node: str | None
    differs: bool

    @property
    def right(self) -> bool:
        """Seen where it is over the floor, silent where it is clearly not."""
        return self.failed == self.audible or (self.failed and self.residual_lu > Floor().residual_lu - MARGIN_LU)

    @property
    def named(self) -> bool:
        """The right first node."""
        return self.node == self.change.node


def base_recipe(folder: Path) -> dict:
    """The demo recipe with everything folded in, and a hall that it sends to."""
    recipe = copy_of_demo(folder)
    flat = folder / "recipes" / "flat.recipe.toml"
    assert app.main(["resolve", str(recipe), "--write", str(flat)]) == 0
    table = tomllib.loads(flat.read_text())
    table["buses"]["hall"] = {
        "level_db": -6.0,
        "chain": [{"do": "room", "decay_s": 1.2, "width_m": 14, "depth_m": 8, "height_m": 6}],
    }
    table["stems"]["snare_top"]["sends"] = {"hall": {"level_db": -12.0}}
    table["stems"]["fiddle"]["sends"] = {"hall": {"level_db": -10.0}}
    table.pop("expect", None)
    return table


SILENT_KEYS = {"name", "note", "microphone", "hit_level_dbfs", "seed", "oversample", "ride", "harmonics"}
"""Keys whose numbers are left alone."""


def numbers_in(value, path: tuple) -> list[tuple]:
    """The path of every number inside a value."""
    if isinstance(value, int | float):
        return [] if isinstance(value, bool) else [path]
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [one for key, held in inner if key not in SILENT_KEYS for one in numbers_in(held, (*path, key))]


def numbers(table: dict) -> list[tuple[tuple, str]]:
    """The path of every number that a step, a strip or a delivery has, with the node that it changes first."""
    found = []

    def walk(value, path, node):
        found.extend((inner, node) for inner in numbers_in(value, path))

    for group in ("stems", "buses"):
        for name, strip in table[group].items():
            for key, value in strip.items():
                # Faders and pans act where prints are summed; the rest is the node's own.
                if key == "sends":
                    for bus, level in value.items():
                        walk(level, (group, name, key, bus), bus)
                    continue
                walk(value, (group, name, key), strip.get("to", "main") if key in ("level_db", "pan_pct") else name)
    for i, step in enumerate(table["main"]["chain"]):
        walk(step, ("main", "chain", i), "main")
    return found


def at(table, path):
    """The value at a path."""
    for key in path:
        table = table[key]
    return table


def changed(table: dict, path: tuple, value) -> dict:
    """A copy with one value put."""
    import copy

    made = copy.deepcopy(table)
    at(made, path[:-1])[path[-1]] = value
    return made


def changes(table: dict, n: int, seed: int = 3) -> list[Change]:
    """n single numbers, by turns a little and a lot; every kind of key before one comes again."""
    rng = random.Random(seed)
    kinds: dict[str, list] = {}
    for path, node in numbers(table):
        kinds.setdefault(str(next(key for key in reversed(path) if isinstance(key, str))), []).append((path, node))
    for places in kinds.values():
        rng.shuffle(places)
    made, turn = [], 0
    while len(made) < n and any(kinds.values()):
        for kind, places in list(kinds.items()):
            if not places or len(made) >= n:
                continue
            path, node = places.pop()
            value, large = at(table, path), turn % 2 == 1
            turn += 1
            step = {True: 0.3, False: 0.03}[large]
            new = value * (1 + step) if abs(value) > 1e-9 else (3.0 if large else 0.3)
            if kind.endswith(("_db", "_dbfs", "_dbtp")):
                new = value + (-1.5 if large else -0.2)
            if kind == "slope_db_per_octave":
                new = value + 6
            new = round(new, 6)
            name = f"{'.'.join(map(str, path))} {value:g} -> {new:g}"
            made.append(Change(name, changed(table, path, new), node))
    return made


def faults(table: dict) -> list[Change]:
    """Changes that a defect of the engine would make."""
    import copy

    swapped = changed(table, ("stems", "overheads", "file"), list(reversed(table["stems"]["overheads"]["file"])))
    for key in ("trim_db", "shift_samples"):
        swapped["stems"]["overheads"][key] = list(reversed(table["stems"]["overheads"][key]))
    dropped = copy.deepcopy(table)
    del dropped["stems"]["fiddle"]["sends"]
    return [
        Change("the hat one sample late", changed(table, ("stems", "hat", "shift_samples"), 1.0), "hat"),
        Change("the bass half a sample late", changed(table, ("stems", "bass_di", "shift_samples"), 0.5), "bass_di"),
        Change("the rack tom upside down", changed(table, ("stems", "rack_tom", "invert"), True), "rack_tom"),
        Change("the overheads swapped", swapped, "overheads"),
        Change("0.2 dB more on the kit", changed(table, ("buses", "kit", "level_db"), 0.2), "main"),
        Change("tails cut off", changed(table, ("max_tail_s",), 0.0), "snare_top"),
        Change("a dropped send", dropped, "hall"),
        Change("another dither seed", changed(table, ("deliver", 0, "seed"), 7), None),
    ]


def local(folder: Path, table: dict) -> list[Change]:
    """Changes of a moment: stems with a click, a gap, one quiet hit; each is a file of its own beside the stem."""
    import copy

    def with_file(stem: str, name: str, edit) -> Change:
        made = copy.deepcopy(table)
        file = made["stems"][stem]["file"]
        x, rate = soundfile.read(folder / "fixtures" / "tithe-barn" / file)
        edit(x, rate)
        other = f"{Path(file).stem}-{name.replace(' ', '-')}.flac"
        soundfile.write(folder / "fixtures" / "tithe-barn" / other, x, rate, subtype="PCM_24")
        made["stems"][stem]["file"] = other
        return Change(f"{stem}: {name}", made, stem)

    def click(x, rate):
        x[2 * rate + 100] += 0.125

    def soft_click(x, rate):
        x[int(9.5 * rate)] += 0.01

    def gap(x, rate):
        x[6 * rate : 6 * rate + rate // 50] = 0.0

    def dip(x, rate):
        x[4 * rate : 5 * rate] *= 10 ** (-0.3 / 20)

    return [
        with_file("accordion", "a click", click),
        with_file("bass_di", "a soft click", soft_click),
        with_file("fiddle", "a gap of 20 ms", gap),
        with_file("accordion", "0.3 dB less for a second", dip),
    ]


def run(n: int = 60, *, every: int = 1) -> list[Seen]:
    """Verify every change, or every n-th, against the baseline of the unchanged recipe."""
    found = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        table = base_recipe(folder)
        store = folder / "store"
        recipe = folder / "recipes" / "flat.recipe.toml"
        recipe.write_text(tomli_w.dumps(table))
        accept(open_recipe(recipe), VerifyOptions(store=store, workers=1, out=folder / "was"))
        todo = changes(table, n) + faults(table) + local(folder, table)
        for k, change in enumerate(todo[::-1][::every]):
            recipe.write_text(tomli_w.dumps(change.table))
            try:
                opened = open_recipe(recipe)
            except Exception as error:
                print("left out:", change.name, str(error)[:80], file=sys.stderr)
                continue
            verdict = verify_recipe(opened, VerifyOptions(store=store, workers=1, out=folder / "now"))
            apart = difference(folder / "was" / "mix.wav", folder / "now" / "mix.wav", match=False)
            node = verdict.cause.node if verdict.cause is not None else None
            audible = not apart.inaudible(Floor())
            failed = not verdict.passed
            level = max([apart.residual_lu, *apart.by_second_lu])
            found.append(Seen(change, level, audible, failed, node, not apart.identical))
            if "-v" in sys.argv:
                print(k, change.name, round(apart.residual_lu, 1), audible, failed, node, change.node, file=sys.stderr)
    return found


def table_of(found: list[Seen]) -> list[tuple[str, str]]:
    """Rows of the table of results: name and value."""
    audible = [one for one in found if one.audible]
    silent = [one for one in found if not one.audible and one.residual_lu < Floor().residual_lu - MARGIN_LU]
    return [
        ("changes", str(len(found))),
        ("over the floor, and reported", f"{sum(one.failed for one in audible)} of {len(audible)}"),
        (
            f"under the floor by {MARGIN_LU:g} LU and more, and passed",
            f"{sum(not one.failed for one in silent)} of {len(silent)}",
        ),
        (
            "of those reported the right first node named",
            f"{sum(one.named for one in audible if one.failed)} of {sum(one.failed for one in audible)}",
        ),
    ]
