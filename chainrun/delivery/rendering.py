"""Renders a plan: nodes to prints, prints to measured files."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path

from chainrun import __version__
from chainrun.blas import one_blas_thread
from chainrun.delivery.disk_space import check_disk_space
from chainrun.delivery.files import at_the_gain_of_the_whole, check_folder, deliver, not_writable
from chainrun.delivery.output_paths import check_output_paths
from chainrun.delivery.result import RenderResult
from chainrun.engine.choice import Choice, choose, choose_stretch
from chainrun.engine.log import EventLog
from chainrun.engine.remarks import remarks
from chainrun.engine.run import NodeRuns, Progress, worthwhile_workers
from chainrun.plan import DeliverySpec, Graph, Plan
from chainrun.store import Print, Store
from chainrun.store.store import limit_gb
from chainrun.whole_file import work_folder

WORK_FOLDER = ".chainrun-work"
PRE_ROLL_S = 5.0
"""A stretch of a session without kept prints is rendered from this long before its start."""
MUCH_TO_WRITE_BYTES = 100_000_000
"""Larger renders announce their size."""


@dataclass(frozen=True)
class RenderOptions:
    """Options of a render."""

    workers: int | None = None
    """Worker processes (1: render in this process). Default: automatic."""
    store: Path | None = None
    """Folder of the store; without it prints are in the output folder during the render."""
    gain_db: float | None = None
    """Gain for all deliveries, in place of their targets."""
    measure_only: bool = False
    """Render and measure; deliver nothing."""
    used_at: float | None = None
    """Time at which its prints count as used, in seconds since 1970; None for now."""


def render(
    plan: Plan,
    out: Path,
    options: RenderOptions | None = None,
    *,
    progress: Progress | None = None,
    log: EventLog | None = None,
    say: Callable[[str], None] | None = None,
) -> RenderResult:
    """Render a plan into the folder `out`; nothing appears there unless all nodes have been rendered.

    `progress` is called with each node's name and its rendered share; `say`, before a large render, with a sentence on
    how much it writes. Raises AudioError, RecipeError (unusable output paths) and ResourceError.
    """
    with one_blas_thread():
        return _Rendering(plan, out, options or RenderOptions(), progress=progress, log=log, say=say).render()


class _Rendering:
    def __init__(
        self,
        plan: Plan,
        out: Path,
        options: RenderOptions,
        *,
        progress: Progress | None,
        log: EventLog | None,
        say: Callable[[str], None] | None,
    ):
        self.began = time.perf_counter()
        self.plan, self.out, self.options, self.log = plan, out, options, log or EventLog(None)
        self.progress: Progress = progress or (lambda _name, _share: None)
        self.say = say or (lambda _text: None)
        self.specs = self._specs()
        self.result = RenderResult(
            engine=__version__,
            recipe=plan.origin.name,
            recipe_hash=plan.recipe_hash,
            rate_hz=plan.rate_hz,
            length_s=0.0,
            warnings=[*(problem.text() for problem in plan.problems), *plan.notes],
            plan=plan,
        )

    def _specs(self) -> list[DeliverySpec]:
        specs = [] if self.options.measure_only else [spec.in_folder(self.out) for spec in self.plan.deliveries]
        if self.options.gain_db is not None:
            specs = [replace(spec, target_lufs=None, gain_db=self.options.gain_db) for spec in specs]
        return specs

    def render(self) -> RenderResult:
        options = self.options
        store = Store(options.store) if options.store is not None else None
        check_output_paths(self.plan, self.specs, self.out, options.store)
        check_folder(self.out, writable=True)
        with nullcontext(store) if store is not None else _work_store(self.out) as where:
            limit = limit_gb() if store is not None else None
            self._render_with(where)
            if limit is not None:
                where.prune(keep_gb=limit)
        if store is not None:
            self.result.prints = _prints_of(self.plan.graph, store)
        self.result.seconds = time.perf_counter() - self.began
        self.log.record("end", seconds=round(self.result.seconds, 4), failures=self.result.failures)
        return self.result

    def _render_with(self, store: Store) -> None:
        plan = self.plan
        # With `gain_db` or `measure_only` neither parts nor wholes are needed.
        parts = {one: plan.parts[one] for one in _each(spec.sounding for spec in self.specs) if one is not None}
        wholes = {
            one: plan.wholes[one] for one in _each(spec.whole_sounding for spec in self.specs if spec.needs_whole)
        }
        graphs = (plan.graph, *parts.values(), *wholes.values())
        identities = {node.identity for graph in graphs for node in graph.nodes}
        with store.run(identities) as run:
            self.log.run = self.log.run or run
            choice = self._choose(plan.graph, store, self._wanted(None))
            others = [choose(graph, store, self._wanted(one)) for one, graph in parts.items() if plan.stretch is None]
            workers = self._begin(store, [choice, *others])
            runs = NodeRuns(plan, store, run, workers, self.log, self.progress, self.result.warnings.append)
            runs.render(choice)
            self._note(choice)
            choices: dict[frozenset[str] | None, Choice] = {None: choice}
            for sounding, graph in parts.items():
                choices[sounding] = self._choose(graph, store, self._wanted(sounding))
                runs.render(choices[sounding])
            for spec in self._at_gains_of_wholes(store, runs, wholes):
                self._deliver(spec, choices[spec.sounding])
            store.touch(identities, self.options.used_at)

    def _wanted(self, sounding: frozenset[str] | None) -> list[str]:
        return [spec.node for spec in self.specs if spec.sounding == sounding]

    def _choose(self, graph: Graph, store: Store, wanted: list[str]) -> Choice:
        if self.plan.stretch is None:
            return choose(graph, store, wanted)
        return choose_stretch(graph, store, wanted, self.plan.stretch, PRE_ROLL_S)

    def _begin(self, store: Store, choices: list[Choice]) -> int:
        """Check disk space, log the start, and choose the number of workers."""
        plan = self.plan
        print_bytes, file_bytes = check_disk_space(plan, choices, self.specs, store.folder, self.out)
        workers = worthwhile_workers(self.options.workers, len(choices[0].to_render), plan.session_s)
        self.log.record(
            "start",
            engine=__version__,
            recipe=self.result.recipe,
            recipe_hash=self.result.recipe_hash,
            rate_hz=plan.rate_hz,
            nodes=len(plan.nodes),
            to_render=[node.name for node in choices[0].to_render],
            workers=workers,
            store=store.folder,
            print_bytes=print_bytes,
            file_bytes=file_bytes,
        )
        if print_bytes + file_bytes > MUCH_TO_WRITE_BYTES:
            self.say(f"up to {size_text(print_bytes)} of prints and {size_text(file_bytes)} of files to write")
        return workers

    def _note(self, choice: Choice) -> None:
        """Add the nodes and all notes to the result."""
        plan, result = self.plan, self.result
        for node in plan.nodes:
            if node.name in choice.results:
                result.nodes.append(choice.results[node.name])
                result.warnings += choice.results[node.name].notes
        if plan.stretch is None:
            result.warnings += remarks(plan, choice.results)
        result.warnings += choice.notes
        span = plan.stretch
        result.length_s = span[1] - span[0] if span else choice.frames("main") / plan.rate_hz
        for warning in result.warnings:
            self.log.record("warning", message=warning)

    def _at_gains_of_wholes(
        self, store: Store, runs: NodeRuns, wholes: Mapping[frozenset[str] | None, Graph]
    ) -> list[DeliverySpec]:
        """Specs of a solo with the gain of the whole mix, which is rendered for that if it is not kept."""
        found = list(self.specs)
        for sounding, graph in wholes.items():
            here = [i for i, spec in enumerate(found) if spec.needs_whole and spec.whole_sounding == sounding]
            choice = self._choose(graph, store, [found[i].node for i in here])
            runs.render(choice)
            for i in here:
                spec = found[i]
                is_whole = spec.node not in choice.partial and (spec.frames is None or self.plan.stretch is not None)
                found[i] = at_the_gain_of_the_whole(
                    spec,
                    choice.prints,
                    self.plan.rate_hz,
                    self.plan.pan_law_db,
                    choice.results[spec.node] if is_whole else None,
                )
        return found

    def _deliver(self, spec: DeliverySpec, choice: Choice) -> None:
        # A stretch in the recipe has its own target; one requested for this render gets the whole mix's gain.
        whole = spec.frames is None or choice.stretch is not None
        known = choice.results[spec.node] if whole and spec.node not in choice.partial else None
        plan = self.plan
        delivered, misses = deliver(
            spec, choice.prints, plan.rate_hz, plan.pan_law_db, known=known, recipe_hash=self.result.recipe_hash
        )
        self.result.deliveries.append(delivered)
        self.result.warnings += delivered.cautions
        self.result.misses += misses
        self.log.record(
            "delivered",
            file=delivered.file,
            integrated_lufs=delivered.measured.integrated_lufs,
            true_peak_dbtp=delivered.measured.true_peak_dbtp,
            pcm_sha256=delivered.pcm_sha256,
        )


def _each(soundings: Iterable[frozenset[str] | None]) -> Iterable[frozenset[str] | None]:
    return dict.fromkeys(soundings)


def _prints_of(graph: Graph, store: Store) -> dict[str, Print]:
    """Prints in the store of a graph's nodes."""
    found = {}
    for node in graph.nodes:
        footer = store.footer(node.identity)
        if footer is not None:
            found[node.name] = footer.print_at(store.path_of(node.identity))
    return found


def size_text(n_bytes: float) -> str:
    """Text of a size in bytes: `1.2 GB` or `340 MB`."""
    return f"{n_bytes / 1e9:.1f} GB" if n_bytes >= 1e9 else f"{n_bytes / 1e6:.0f} MB"


@contextmanager
def _work_store(out: Path) -> Iterator[Store]:
    """Temporary store in the output folder for the time of a render; those of dead renders are deleted."""
    with ExitStack() as stack:
        try:
            folder = stack.enter_context(work_folder(WORK_FOLDER, out))
        except OSError as error:
            raise not_writable(out, error) from error
        yield Store(folder)
