"""Builds the plan of an opened recipe from the headers of its stems."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from chainrun.audiofile import Header, Reader, read_header
from chainrun.audiofile.write import RATES_OF_MP3
from chainrun.contract import Key, Step, Stream
from chainrun.errors import AudioError, ChainrunError, Problem, RecipeError, shown, shown_path
from chainrun.plan.costs import over_limits
from chainrun.plan.identity import node_identity, sounding_part
from chainrun.plan.nodes import FilePart, Input, KeyInput, Node, StemInput
from chainrun.plan.order import topological_order
from chainrun.plan.stems import channels_of, unfit_files
from chainrun.recipe import Bus, Main, Opened, Stem
from chainrun.recipe.presets import home_of
from chainrun.recipe.step_files import steps_with_files
from chainrun.recipe.tables import KeyPath, place_of
from chainrun.runtime.chain import chain_misfits, channels_after

MAIN = "main"
SUM = " (sum)"
Hash = Callable[[Path], str]


@dataclass(frozen=True)
class Plan:
    """All nodes of a session, in an order in which they can be rendered."""

    nodes: tuple[Node, ...]
    rate_hz: int
    session_s: float
    notes: tuple[str, ...]
    """What happens to stems on the way in, for the result: conversions."""

    def node(self, name: str) -> Node:
        """The node of this name."""
        return next(node for node in self.nodes if node.name == name)


def build_plan(
    opened: Opened,
    *,
    only: frozenset[str] | None = None,
    hash_file: Hash | None = None,
    surroundings: Mapping[str, Any] | None = None,
) -> Plan:
    """The plan of a recipe.

    Opens the headers of its stems. Without `hash_file` the nodes get no hash (for `check`). `surroundings` are
    what else determines the bits: engine, library versions, block size. Raises AudioError for stems that cannot
    be used and RecipeError for cycles and numbers that do not fit.
    """
    builder = _Builder(opened, only, hash_file, dict(surroundings or {}))
    return builder.plan()


class _Builder:
    def __init__(
        self,
        opened: Opened,
        only: frozenset[str] | None,
        hash_file: Hash | None,
        surroundings: dict[str, Any],
    ):
        self.opened, self.recipe, self.problems = opened, opened.recipe, opened.problems
        self.only, self.hash_file, self.surroundings = only, hash_file, surroundings
        self.notes: list[str] = []
        self._tell_cycle_if_any()
        self.headers = self._read_headers()
        self.rate_hz = self.recipe.rate_hz or self._commonest_rate()
        self.stem_inputs = {name: self._stem_input(name) for name in self.recipe.stems}
        self.session_s = max(self._end_s(name) for name in self.recipe.stems)
        self.channels = self._channels()
        self.hashes: dict[str, str] = {}

    def plan(self) -> Plan:
        needs = {name: self._needs(name) for name in [*self.recipe.stems, *self.recipe.buses, MAIN]}
        order, _ = topological_order(needs)
        self._tell_misfits()
        if not self.problems.errors:  # what a step costs is known where its settings make sense
            self._tell_limits()
        self._tell_rates()
        self.problems.stop_if_any()
        bad: list[ChainrunError] = []
        dumped = {name: self._dump(name, bad) for name in order}
        if bad:
            kind = RecipeError if any(isinstance(one, RecipeError) for one in bad) else AudioError
            raise kind([problem for one in bad for problem in one.problems])
        nodes = [self._node(name, needs[name], *dumped[name]) for name in order]
        return Plan(tuple(nodes), self.rate_hz, self.session_s, tuple(self.notes))

    # -- stems ---------------------------------------------------------------------------------------------

    def _read_headers(self) -> dict[str, list[Header]]:
        found: dict[str, list[Header]] = {}
        bad: list[Problem] = []
        if not self.opened.stems_dir.is_dir():
            told = "there is no such folder" if not self.opened.stems_dir.exists() else "this is no folder"
            where = ("stems_dir",) if "stems_dir" in self.opened.table else ()
            raise AudioError(self._at(where, Problem(told), shown_path(self.opened.stems_dir)))
        for name in self.recipe.stems:
            headers = []
            for path in self.opened.stem_files(name):
                try:
                    headers.append(read_header(path, self.opened.limits))
                except ChainrunError as error:
                    bad += [self._at(("stems", name, "file"), problem, shown_path(path)) for problem in error.problems]
            found[name] = headers
            if len(headers) == len(self.opened.stem_files(name)):
                bad += self._unfit_files(name, headers)
        if bad:
            if self.problems.errors:
                raise RecipeError([*self.problems.errors, *bad])
            raise AudioError(bad)
        self.problems.stop_if_any()
        return found

    def _at(self, path: KeyPath, problem: Problem, given: str | None = None) -> Problem:
        placed = self.problems.at(place_of(self.opened.table, path), problem)
        return replace(placed, given=problem.given or (shown(given) if given else None))

    def _unfit_files(self, name: str, headers: list[Header]) -> list[Problem]:
        found, notes = unfit_files(self.recipe.stems[name], headers)
        self.notes += [f"{name}: {note}" for note in notes]
        return [self._at(("stems", name, key), problem) for key, problem in found]

    def _commonest_rate(self) -> int:
        counts = Counter(header.rate_hz for headers in self.headers.values() for header in headers)
        return max(counts, key=lambda rate: (counts[rate], rate))

    def _stem_input(self, name: str) -> StemInput:
        stem, headers = self.recipe.stems[name], self.headers[name]
        n_channels = channels_of(stem, headers)

        def side(value: Any, i: int) -> Any:
            return value[i] if isinstance(value, list) else value

        def shift(i: int) -> float:
            if stem.shift_ms is not None:
                return float(side(stem.shift_ms, i)) * self.rate_hz / 1000.0
            return float(side(stem.shift_samples, i)) if stem.shift_samples is not None else 0.0

        parts = []
        for i in range(n_channels):
            header = headers[i if len(headers) == 2 else 0]
            channel = stem.channel - 1 if stem.channel is not None else (0 if len(headers) == 2 else i)
            content = self.hash_file(Path(header.path)) if self.hash_file is not None else ""
            parts.append(
                FilePart(
                    str(Path(header.path).absolute()),
                    content,
                    header.n_channels,
                    channel,
                    float(side(stem.trim_db, i)),
                    bool(side(stem.invert, i)),
                    shift(i),
                )
            )
        rate = headers[0].rate_hz
        if rate != self.rate_hz:
            self.notes.append(f"{name}: converted from {rate} to {self.rate_hz} Hz")
        return StemInput(tuple(parts), rate, stem.at_s, stem.from_s, stem.to_s, n_channels)

    def _end_s(self, name: str) -> float:
        stem = self.recipe.stems[name]
        length = max(header.n_frames / header.rate_hz for header in self.headers[name])
        used = min(length, stem.to_s or length) - stem.from_s
        shift = max(part.shift_frames for part in self.stem_inputs[name].parts) / self.rate_hz
        return max(0.0, stem.at_s + used + shift)

    # -- the graph -------------------------------------------------------------------------------------------

    def _strip(self, name: str) -> Stem | Bus | Main:
        if name == MAIN:
            return self.recipe.main
        return self.recipe.stems.get(name) or self.recipe.buses[name]

    def _path(self, name: str) -> tuple[str, ...]:
        return (MAIN,) if name == MAIN else ("stems" if name in self.recipe.stems else "buses", name)

    def _channels(self) -> dict[str, tuple[int, int]]:
        """Channels of every node before and behind its chain."""
        found = {}
        for name in [*self.recipe.stems, *self.recipe.buses, MAIN]:
            before = self.stem_inputs[name].n_channels if name in self.recipe.stems else 2
            found[name] = (before, channels_after(list(self._strip(name).chain), before))
        return found

    def _inputs(self, bus: str) -> tuple[Input, ...]:
        """What goes into a bus, in the order of the recipe."""
        found: list[Input] = []
        for name, strip in [*self.recipe.stems.items(), *self.recipe.buses.items()]:
            if strip.mute or (self.only is not None and name in self.recipe.stems and name not in self.only):
                continue
            base = Input(
                name,
                self.channels[name][1],
                strip.level_db,
                strip.pan_pct,
                tuple((point[0], point[1]) for point in strip.level_points_db),
                tuple((part[0], part[1]) for part in strip.active_s),
            )
            if strip.to == bus:
                found.append(base)
            send = strip.send_list().get(bus)
            if send is not None:
                found.append(replace(base, send_db=send.level_db, before_fader=send.before_fader))
        return tuple(found)

    def _keys(self, name: str) -> list[Key]:
        found: list[Key] = []
        for step in self._strip(name).chain:
            found += [key for key in step.listens_to() if key not in found]
        return found

    def _needs(self, name: str) -> list[str]:
        needed = [] if name in self.recipe.stems else [source.node for source in self._inputs(name)]
        for key in self._keys(name):
            for source in key.sources:
                if key.tap == "chain":
                    needed.append(source)
                elif source in self.recipe.buses:
                    needed += [one.node for one in self._inputs(source)]
        return list(dict.fromkeys(needed))

    def _tell_cycle_if_any(self) -> None:
        """Looks at all that is written, muted or not: a cycle must not wait until somebody lifts the mute."""
        nodes = {**self.recipe.stems, **self.recipe.buses}

        def feeds(bus: str) -> list[str]:
            return [name for name, strip in nodes.items() if strip.to == bus or bus in strip.sends]

        needs: dict[str, list[str]] = {}
        for name in [*nodes, MAIN]:
            needs[name] = [] if name in self.recipe.stems else feeds(name)
            for key in self._keys(name):
                for source in key.sources:
                    if key.tap == "chain":
                        needs[name].append(source)
                    elif source in self.recipe.buses:  # the bus's sum, before its chain: a place of its own
                        needs[name].append(f"{source}{SUM}")
                        needs[f"{source}{SUM}"] = feeds(source)
        _, cycle = topological_order(needs)
        if cycle is not None:
            self._tell_cycle([one.removesuffix(SUM) for one in cycle])

    def _tell_cycle(self, cycle: list[str]) -> None:
        # needs point upstream; the way of the sound is told.
        circle = " -> ".join(reversed(cycle))
        first = cycle[-1]
        self.problems.add(
            place_of(self.opened.table, self._path(first)),
            f"the sound goes in a circle: {circle}",
            hint='look at `to`, `sends` and the keys (from = …) of these nodes; a key with tap = "raw" does not wait '
            "for the chain of its source",
        )

    def _stream(self, name: str) -> Stream:
        keys = self._keys(name)
        strip = self._strip(name)
        levels = {key: self._hit_level_of_key(key) for key in keys}
        return Stream(
            rate_hz=self.rate_hz,
            n_channels=self.channels[name][0],
            pan_law_db=self.recipe.pan_law_db,
            hit_level_dbfs=self._hit_level(strip) if isinstance(strip, Stem) else None,
            tempo_bpm=self.recipe.tempo_bpm,
            key_channels={key: self._key_channels(key) for key in keys},
            key_hit_levels={key: level for key, level in levels.items() if level is not None},
        )

    @staticmethod
    def _hit_level(stem: Stem) -> float | None:
        if stem.hit_level_dbfs is None:
            return None
        trim = max(stem.trim_db) if isinstance(stem.trim_db, list) else stem.trim_db
        return stem.hit_level_dbfs + trim

    def _hit_level_of_key(self, key: Key) -> float | None:
        stems = [self.recipe.stems[name] for name in key.sources if name in self.recipe.stems]
        levels = [level for level in map(self._hit_level, stems) if level is not None]
        return max(levels) if levels else None

    def _key_channels(self, key: Key) -> int:
        return max(self.channels[name][0 if key.tap == "raw" else 1] for name in key.sources)

    def _tell_rates(self) -> None:
        """Rates that a delivery's format does not know."""
        for i, delivery in enumerate(self.recipe.deliver):
            rate = delivery.rate_hz or self.rate_hz
            if delivery.file.lower().endswith(".mp3") and rate not in RATES_OF_MP3:
                self.problems.add(
                    place_of(self.opened.table, ("deliver", i, "file")),
                    ".mp3 does not know this rate",
                    given=f"{rate} Hz",
                    allowed=", ".join(map(str, RATES_OF_MP3)),
                    hint="rate_hz = 48000",
                )

    def _tell_limits(self) -> None:
        """What would cost more than the limits let it."""
        names = [*self.recipe.stems, *self.recipe.buses, MAIN]
        nodes = [(self._path(name), list(self._strip(name).chain), self._stream(name)) for name in names]
        table = self.opened.table
        for path, over in over_limits(self.recipe, self.opened.limits, nodes, self.session_s, self.rate_hz):
            self.problems.tell(place_of(table, path) if not path or path[0] in table else table.place, over)

    def _tell_misfits(self) -> None:
        for name in [*self.recipe.stems, *self.recipe.buses, MAIN]:
            chain: list[Step] = list(self._strip(name).chain)
            for misfit in chain_misfits(chain, self._stream(name)):
                path = (
                    *self._path(name),
                    "chain",
                    *(int(p) if p.isdigit() else p for p in misfit.key.split(".")),
                )
                self.problems.add(
                    place_of(self.opened.table, path),
                    misfit.message,
                    given=misfit.given,
                    allowed=misfit.allowed,
                    hint=misfit.hint,
                    severity=misfit.severity,
                )

    def _key_input(self, source: str, tap: str) -> KeyInput:
        if tap == "chain":
            return KeyInput(source, tap, self.channels[source][1])
        if source in self.recipe.stems:
            return KeyInput(source, tap, self.channels[source][0], stem=self.stem_inputs[source])
        return KeyInput(source, tap, 2, inputs=self._inputs(source))

    def _dump(self, name: str, bad: list[ChainrunError]) -> tuple[list[dict[str, Any]], list[Any]]:
        """A chain as plain data, files as absolute paths; and as what it sounds like, files as hashes."""
        chain = [step.model_dump(exclude_none=True, by_alias=True) for step in self._strip(name).chain]
        sounding = sounding_part(chain)
        base = (*self._path(name), "chain")
        for path, step in list(steps_with_files(chain, bypassed=False)):
            try:
                found = self._find_file((*base, *path, "file"), step["file"], float(step.get("longest_s", 20.0)))
            except ChainrunError as error:
                bad.append(type(error)([self._at((*base, *path, "file"), one, step["file"]) for one in error.problems]))
                continue
            step["file"] = str(found)
            place: Any = sounding
            for key in path:
                place = place[key]
            place["file"] = self.hash_file(found) if self.hash_file is not None else ""
        return chain, sounding

    def _find_file(self, path: KeyPath, file: str, longest_s: float) -> Path:
        """An audio file that a step names, relative to the file in which the step is written."""
        place = place_of(self.opened.table, path)
        found = home_of(place.file or self.opened.path, self.opened.libraries) / file
        refusal = self.opened.roots.refusal(found)
        if refusal is not None:
            raise RecipeError(Problem(f"the file {refusal}", hint=self.opened.roots.hint(found)))
        header = read_header(found, self.opened.limits)
        seconds = header.n_frames / header.rate_hz
        if seconds > longest_s:
            raise AudioError(Problem("the response is too long", given=f"{seconds:.1f} s", allowed=f"{longest_s:g} s"))
        if header.n_channels not in (1, 2, 4):
            raise AudioError(Problem("a response has 1, 2 or 4 channels", given=f"{header.n_channels} channels"))
        with Reader(found) as reader:  # whole: it is short, and a NaN in it would be told without its step
            if not reader.read(reader.n_frames).any():
                raise AudioError(Problem("the response is silent"))
        return found.resolve()

    def _node(self, name: str, needs: list[str], chain: list[dict[str, Any]], sounding: list[Any]) -> Node:
        stream = self._stream(name)
        keys = self._keys(name)
        node = Node(
            name=name,
            kind="main" if name == MAIN else ("stem" if name in self.recipe.stems else "bus"),
            stem=self.stem_inputs.get(name),
            inputs=() if name in self.recipe.stems else self._inputs(name),
            chain=tuple(chain),
            addresses=tuple(self.opened.addresses(*self._path(name))),
            keys=tuple(
                (
                    key.model_dump(by_alias=True),
                    tuple(self._key_input(source, key.tap) for source in key.sources),
                )
                for key in keys
            ),
            n_channels=self.channels[name][0],
            n_channels_out=self.channels[name][1],
            rate_hz=self.rate_hz,
            pan_law_db=self.recipe.pan_law_db,
            tempo_bpm=self.recipe.tempo_bpm,
            hit_level_dbfs=stream.hit_level_dbfs,
            key_hit_levels=tuple(stream.key_hit_levels.get(key) for key in keys),
            tail_max_s=self.recipe.tail_max_s,
            session_s=self.session_s,
            needs=tuple(needs),
        )
        if self.hash_file is not None:
            self.hashes[name] = node_identity(node, sounding, self.hashes, self.surroundings)
            node = replace(node, identity=self.hashes[name])
        return node
