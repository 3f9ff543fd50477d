"""Builds a plan from an opened recipe and the headers of its stems."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from chainrun.audiofile import BLOCK_FRAMES, Reader, read_header
from chainrun.audiofile.read import hash_content
from chainrun.audiofile.write import RATES_OF_MP3
from chainrun.contract import Step, any_step
from chainrun.errors import AudioError, ChainrunError, Problem, RecipeError, UsageError
from chainrun.plan.costs import over_limits
from chainrun.plan.deliveries import DeliverySpec, Session, Span, delivery_files, delivery_specs, stems_of
from chainrun.plan.graph import GraphBuilder, PlannedChain, SessionNodes, cycle_in
from chainrun.plan.identity import labels_hash, recipe_hash, sounding_part
from chainrun.plan.plan import Graph, Origin, Plan, Strip
from chainrun.plan.stems import Hash, SessionStems, problem_at
from chainrun.plan.surroundings import surroundings
from chainrun.problem_codes import Code
from chainrun.recipe import Opened
from chainrun.recipe.presets import home_of
from chainrun.recipe.step_files import steps_with_files
from chainrun.recipe.tables import KeyPath, place_of
from chainrun.runtime.chain import chain_misfits
from chainrun.whole_file import Stamp, safely_resolved, stamp


def build_plan(
    recipe: Opened,
    *,
    only: Sequence[str] = (),
    from_s: float | None = None,
    to_s: float | None = None,
    hash_file: Hash | None = hash_content,
    block_frames: int = BLOCK_FRAMES,
) -> Plan:
    """Build the plan of a recipe, of a solo of some stems and buses (`only`), or of a stretch of the session in s.

    Opens the headers of its stems and hashes their content with `hash_file` (a store keeps hashes). With None the nodes
    get no hash, and the plan can be inspected but not rendered. The recipe is not changed. Raises AudioError for stems
    that cannot be used, RecipeError for circles and for values that do not fit the stems, UsageError for names and
    stretches that do not exist.
    """
    return _Builder(recipe, tuple(only), hash_file, block_frames).plan(from_s, to_s)


class _Builder:
    def __init__(self, opened: Opened, only: tuple[str, ...], hash_file: Hash | None, block_frames: int):
        self.opened, self.recipe, self.only, self.hash_file = opened, opened.recipe, only, hash_file
        self.block_frames = block_frames
        self.problems = opened.problems.continued()
        self.stamps: dict[str, Stamp] = {}
        self.hashes: dict[Path, str] = {}
        self.sounding = stems_of(opened, only)

    def plan(self, from_s: float | None, to_s: float | None) -> Plan:
        self._refuse_cycle()
        self.stems = SessionStems(self.opened, self.problems, self._hash if self.hash_file is not None else None)
        self.session = SessionNodes(self.opened, self.stems)
        self._refuse_misfits()
        self.chains = self._chains()
        self.surroundings = surroundings(self.block_frames) if self.hash_file is not None else None
        graph = self._graph(self.sounding)
        span = self._span(from_s, to_s)
        specs = self._specs(span)
        return Plan(
            origin=Origin(self.opened.name, self.opened.path, self.opened.variant, self.opened.change),
            graph=graph,
            parts={one: self._graph(one) for one in dict.fromkeys(spec.sounding for spec in specs) if one is not None},
            wholes={
                one: self._graph(one)
                for one in dict.fromkeys(spec.whole_sounding for spec in specs if spec.needs_whole)
            },
            deliveries=tuple(specs),
            whole_files=delivery_files(self.opened),
            strips={name: self._strip(name) for name in self.session.names},
            rate_hz=self.stems.rate_hz,
            session_s=self.stems.session_s,
            pan_law_db=self.recipe.pan_law_db,
            stretch=span,
            block_frames=self.block_frames,
            recipe_hash=recipe_hash(
                self.recipe, {node.name: node.stem for node in graph.nodes if node.stem is not None}
            ),
            inputs=self._inputs(graph),
            stamps=self.stamps,
            notes=tuple(self.stems.notes),
            problems=tuple(self.problems.warnings),
        )

    def _hash(self, path: Path) -> str:
        assert self.hash_file is not None
        if path not in self.hashes:
            with suppress(OSError):
                self.stamps[str(path)] = stamp(path)
            self.hashes[path] = self.hash_file(path)
        return self.hashes[path]

    # -- what prevents a render --------------------------------------------------------------------------------

    def _refuse_cycle(self) -> None:
        cycle = cycle_in(self.opened)
        if cycle is None:
            return
        first = cycle[-1]
        group = "stems" if first in self.recipe.stems else "buses"
        self.problems.add(
            place_of(self.opened.table, (first,) if first == "main" else (group, first)),
            f"the signal path is a circle: {' -> '.join(reversed(cycle))}",  # needs point upstream
            hint="check `to`, `sends` and the keys (from = …) of these nodes; "
            'a key with tap = "before_chain" does not need the chain of its source',
            code=Code.SIGNAL_CIRCLE,
        )

    def _refuse_misfits(self) -> None:
        """Raise RecipeError for values that do not fit the stems, cost too much, or suit no format."""
        self._report_misfits()
        if not self.problems.errors:  # the cost of a step is only known if its settings are valid
            self._report_limits()
        self._report_rates()
        self.problems.stop_if_any()

    def _report_misfits(self) -> None:
        for name in self.session.names:
            for misfit in chain_misfits(list(self.session.strip(name).chain), self.session.stream(name)):
                path = (
                    *self.session.path(name),
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
                    code=misfit.code,
                )

    def _report_limits(self) -> None:
        """Add a problem for each limit that the render would exceed."""
        session, table = self.session, self.opened.table
        nodes = [(session.path(one), list(session.strip(one).chain), session.stream(one)) for one in session.names]
        limits, seconds = self.opened.limits, self.stems.session_s
        for path, over in over_limits(self.recipe, limits, nodes, seconds, self.stems.rate_hz):
            self.problems.tell(place_of(table, path) if not path or path[0] in table else table.place, over)

    def _report_rates(self) -> None:
        """Add a problem for each delivery whose format does not support its rate."""
        for i, delivery in enumerate(self.recipe.deliver):
            rate = delivery.rate_hz or self.stems.rate_hz
            if delivery.file.lower().endswith(".mp3") and rate not in RATES_OF_MP3:
                self.problems.add(
                    place_of(self.opened.table, ("deliver", i, "file")),
                    ".mp3 does not support this rate",
                    given=f"{rate} Hz",
                    allowed=", ".join(map(str, RATES_OF_MP3)),
                    hint="rate_hz = 48000",
                    code=Code.FORMAT_CANNOT_HOLD,
                )

    # -- chains ------------------------------------------------------------------------------------------------

    def _chains(self) -> dict[str, PlannedChain]:
        """Chain of each node, ready to run. Raises RecipeError or AudioError with the problems of all steps' files."""
        bad: list[ChainrunError] = []
        chains = {name: self._chain(name, bad) for name in self.session.names}
        if bad:
            kind = RecipeError if any(isinstance(one, RecipeError) for one in bad) else AudioError
            raise kind([problem for one in bad for problem in one.problems])
        return chains

    def _chain(self, name: str, bad: list[ChainrunError]) -> PlannedChain:
        steps = tuple(self.session.strip(name).chain)
        dumped = [step.model_dump(exclude_none=True, by_alias=True) for step in steps]
        addresses = self.opened.addresses(*self.session.path(name))
        labels = labels_hash(name, addresses, dumped)
        sounding = sounding_part(dumped)
        base = (*self.session.path(name), "chain")
        reading = list(steps_with_files(dumped, bypassed=False))
        for path, step in reading:
            try:
                found = self._find_file((*base, *path, "file"), step["file"], float(step.get("max_length_s", 20.0)))
            except ChainrunError as error:
                placed = [
                    problem_at(self.opened, self.problems, (*base, *path, "file"), one, step["file"])
                    for one in error.problems
                ]
                bad.append(type(error)(placed))
                continue
            step["file"] = str(found)
            place: Any = sounding
            for key in path:
                place = place[key]
            place["file"] = self._hash(found) if self.hash_file is not None else ""
        if reading and not bad:  # the same steps, with their files found
            adapter: TypeAdapter[Step] = TypeAdapter(any_step())
            steps = tuple(adapter.validate_python(step) for step in dumped)
        return PlannedChain(steps, sounding, labels, tuple(str(step["file"]) for _, step in reading))

    def _find_file(self, path: KeyPath, file: str, max_length_s: float) -> Path:
        """Audio file of a step, whose path is relative to the file in which the step is written."""
        place = place_of(self.opened.table, path)
        found = home_of(place.file or self.opened.path, self.opened.libraries) / file
        refusal = self.opened.roots.refusal(found)
        if refusal is not None:
            raise RecipeError(refusal.problem("the file"))
        header = read_header(found, self.opened.limits)
        seconds = header.n_frames / header.rate_hz
        if seconds > max_length_s:
            given, allowed = f"{seconds:.1f} s", f"{max_length_s:g} s"
            message = "the response is too long"
            raise AudioError(Problem(message, given=given, allowed=allowed, code=Code.UNUSABLE_RESPONSE))
        if header.n_channels not in (1, 2, 4):
            given = f"{header.n_channels} channels"
            raise AudioError(
                Problem("a response must have 1, 2 or 4 channels", given=given, code=Code.UNUSABLE_CHANNELS)
            )
        with Reader(found) as reader:  # all of it: it is short, and a NaN would later be reported without its step
            if not reader.read(reader.n_frames).any():
                raise AudioError(Problem("the response is silent", code=Code.UNUSABLE_RESPONSE))
        return found.resolve()

    # -- parts of the plan -------------------------------------------------------------------------------------

    def _graph(self, sounding: frozenset[str] | None) -> Graph:
        return GraphBuilder(self.session, sounding, self.chains, self.surroundings).graph()

    def _span(self, from_s: float | None, to_s: float | None) -> Span | None:
        """Stretch to deliver, in seconds. Raises UsageError for one outside the session."""
        if from_s is None and to_s is None:
            return None
        length = self.stems.session_s
        begin, end = from_s or 0.0, length if to_s is None else to_s
        if not 0.0 <= begin < end or begin >= length:
            outside = not 0.0 <= begin < length
            raise UsageError(
                Problem(
                    "the stretch is outside the session" if outside else "the stretch ends before it begins",
                    given=f"{begin:g} to {end:g} s",
                    allowed=f"0 to {length:g} s, the earlier first",
                    code=Code.STRETCH_OUTSIDE if outside else Code.STRETCH_REVERSED,
                    facts=(("session_s", length),),
                )
            )
        return begin, end

    def _specs(self, span: Span | None) -> list[DeliverySpec]:
        channels = {name: after for name, (_, after) in self.session.channels.items()}
        session = Session(self.stems.rate_hz, self.stems.session_s, channels)
        return delivery_specs(self.opened, session, self.only, span)

    def _strip(self, name: str) -> Strip:
        if name == "main":
            return Strip(("main",), "", 0.0, 0.0, mute=False, has_sends=False)
        strip = self.recipe.stems.get(name) or self.recipe.buses[name]
        ride = max((point.gain_db for point in strip.ride), default=0.0)
        return Strip(self.session.path(name), strip.to, strip.level_db, ride, strip.mute, bool(strip.sends))

    def _inputs(self, graph: Graph) -> frozenset[Path]:
        """All files that a render reads, resolved."""
        stems = [path for name in self.recipe.stems for path in self.opened.stem_files(name)]
        responses = [Path(file) for node in graph.nodes for file in node.responses]
        return frozenset(safely_resolved(path) for path in (*self.opened.files(), *stems, *responses))
