"""A whole render: plan, what is kept already, what is to be rendered, deliveries."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, nullcontext, suppress
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

from chainrun import __version__
from chainrun.audiofile import BLOCK_FRAMES
from chainrun.audiofile.read import hash_content
from chainrun.delivery.disk_space import check_disk_space
from chainrun.delivery.files import at_the_gain_of_the_whole, check_folder, deliver
from chainrun.delivery.output_paths import check_output_paths
from chainrun.delivery.result import RenderResult
from chainrun.engine.choice import Choice, choose, choose_stretch
from chainrun.engine.log import EventLog
from chainrun.engine.remarks import remarks
from chainrun.engine.work import NodeTask, Rendered, Stamp, run_task
from chainrun.errors import ChainrunError, Problem, ResourceError, UsageError
from chainrun.plan import Node, Plan, build_plan
from chainrun.plan.deliveries import DeliverySpec, delivery_specs, recipe_hash, stems_of
from chainrun.plan.nodes import FilePart
from chainrun.plan.surroundings import surroundings
from chainrun.problem_codes import Code
from chainrun.recipe import Opened
from chainrun.scheduler.processes import processors_here, warm_up
from chainrun.scheduler.scheduler import Scheduler, WorkerDiedError
from chainrun.store.store import Store, limit_gb
from chainrun.whole_file import stamp, work_folder

WORK_FOLDER = ".chainrun-work"
WORTH_WORKERS_S = 300.0
"""Seconds of prints to render from which on worker processes pay for their start (about a second each)."""
PRE_ROLL_S = 5.0
"""A stretch of a session whose prints are not kept is rendered from so long before it."""
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class RenderOptions:
    """What the command line may say about a render."""

    only: tuple[str, ...] = ()
    block_frames: int = BLOCK_FRAMES
    workers: int | None = None
    """Processes that render nodes; 1 renders in this one; if not said, as many as pay."""
    store: Path | None = None
    """Where prints are kept; without it they live in the output folder as long as the render."""
    from_s: float | None = None
    to_s: float | None = None
    """The stretch of the session to deliver."""
    gain_db: float | None = None
    """A gain for all deliveries, in place of their targets."""
    measure_only: bool = False
    """Render and measure, and deliver nothing."""
    used_at: float | None = None
    """When its prints count as used, in seconds since 1970; now, if not said."""


def render(
    opened: Opened,
    out: Path,
    options: RenderOptions | None = None,
    *,
    progress: Progress | None = None,
    log: EventLog | None = None,
    say: Callable[[str], None] | None = None,
) -> RenderResult:
    """Render a recipe into the folder `out`; nothing appears there unless all nodes have been rendered.

    `say` hears, before the work begins, what it will write to the disk.
    """
    return _Session(opened, out, options or RenderOptions(), progress, log or EventLog(None), say).render()


class _Session:
    def __init__(
        self,
        opened: Opened,
        out: Path,
        options: RenderOptions,
        progress: Progress | None,
        log: EventLog,
        say: Callable[[str], None] | None,
    ):
        self.began = time.perf_counter()
        self.opened, self.out, self.options, self.log = opened, out, options, log
        self.progress: Progress = progress or (lambda name, share: None)
        self.say = say or (lambda text: None)
        self.store = Store(options.store) if options.store is not None else None
        self.stamps: dict[str, Stamp] = {}
        self.errors: list[ChainrunError] = []
        self.hash_file = cache(self._hash_file)

    def render(self) -> RenderResult:
        opened, options = self.opened, self.options
        if (options.workers or 0) > 1:
            warm_up()
        plan = build_plan(
            opened,
            only=stems_of(opened, options.only),
            hash_file=self.hash_file,
            surroundings=surroundings(options.block_frames),
        )
        self.result = RenderResult(
            engine=__version__,
            recipe=opened.name,
            recipe_hash=recipe_hash(opened, plan),
            rate_hz=plan.rate_hz,
            length_s=0.0,
            warnings=[*(problem.text() for problem in opened.problems.warnings), *plan.notes],
        )
        span = self._span(plan)
        specs = delivery_specs(opened, plan, self.out, span, options.only)
        if options.gain_db is not None:
            specs = [replace(spec, target_lufs=None, gain_db=options.gain_db) for spec in specs]
        if options.measure_only:
            specs = []
        check_output_paths(opened, plan, specs, self.out, options.store)
        check_folder(self.out, writable=True)
        with nullcontext(self.store) if self.store is not None else _work_store(self.out) as store:
            limit = limit_gb() if self.store is not None else None
            self._render_with(store, plan, specs, span)
            if limit is not None:
                store.prune(keep_gb=limit)
        self.result.seconds = time.perf_counter() - self.began
        self.log.tell("end", seconds=round(self.result.seconds, 4), failures=self.result.failures)
        return self.result

    def _hash_file(self, path: Path) -> str:
        with suppress(OSError):
            self.stamps[str(path)] = stamp(path)
        return self.store.hash_file(path) if self.store is not None else hash_content(path)

    def _span(self, plan: Plan) -> tuple[float, float] | None:
        """The stretch to deliver, in seconds. Raises UsageError for one that is not in the session."""
        from_s, to_s = self.options.from_s, self.options.to_s
        if from_s is None and to_s is None:
            return None
        from_s, to_s = from_s or 0.0, plan.session_s if to_s is None else to_s
        if not 0.0 <= from_s < to_s or from_s >= plan.session_s:
            outside = not 0.0 <= from_s < plan.session_s
            raise UsageError(
                Problem(
                    "the stretch lies outside the session" if outside else "the stretch ends before it begins",
                    given=f"{from_s:g} to {to_s:g} s",
                    allowed=f"0 to {plan.session_s:g} s, the earlier first",
                    code=Code.STRETCH_OUTSIDE if outside else Code.STRETCH_REVERSED,
                    facts=(("session_s", plan.session_s),),
                )
            )
        return from_s, to_s

    def _render_with(
        self, store: Store, plan: Plan, specs: list[DeliverySpec], span: tuple[float, float] | None
    ) -> None:
        result = self.result
        parts = self._other_plans({spec.sounding for spec in specs})
        wholes = self._other_plans({spec.whole_sounding for spec in specs if spec.needs_whole}, none_too=True)
        identities = {node.identity for one in (plan, *parts.values(), *wholes.values()) for node in one.nodes}
        with store.run(identities) as run:
            self.log.run = self.log.run or run
            wanted = [spec.node for spec in specs if spec.sounding is None]
            if span is None:
                choice = choose(plan, store, wanted)
            else:
                choice = choose_stretch(plan, store, wanted, *span, PRE_ROLL_S)
            others = [
                choose(part, store, [spec.node for spec in specs if spec.sounding == sounding])
                for sounding, part in parts.items()
                if span is None
            ]
            prints_bytes, file_bytes = check_disk_space(plan, [choice, *others], specs, store.folder, self.out)
            workers = self._workers(plan, choice)
            self.log.tell(
                "start",
                engine=__version__,
                recipe=result.recipe,
                recipe_hash=result.recipe_hash,
                rate_hz=plan.rate_hz,
                nodes=len(plan.nodes),
                to_render=[node.name for node in choice.to_render],
                workers=workers,
                store=store.folder,
                print_bytes=prints_bytes,
                file_bytes=file_bytes,
            )
            if prints_bytes + file_bytes > 100_000_000:
                self.say(
                    f"up to {size_text(prints_bytes)} of prints and {size_text(file_bytes)} of files to be written"
                )
            self._render_nodes(store, run, choice, workers)
            for node in plan.nodes:
                if node.name in choice.results:
                    result.nodes.append(choice.results[node.name])
                    result.warnings += choice.results[node.name].notes
            if span is None:
                sounding = stems_of(self.opened, self.options.only)
                result.warnings += remarks(self.opened, choice.results, sounding)
            result.warnings += choice.notes
            result.length_s = span[1] - span[0] if span else choice.frames("main") / plan.rate_hz
            for warning in result.warnings:
                self.log.tell("warning", message=warning)
            choices: dict[frozenset[str] | None, Choice] = {None: choice}
            for sounding, part in parts.items():
                wanted = [spec.node for spec in specs if spec.sounding == sounding]
                here = (
                    choose(part, store, wanted)
                    if span is None
                    else choose_stretch(part, store, wanted, *span, PRE_ROLL_S)
                )
                self._render_nodes(store, run, here, workers)
                choices[sounding] = here
            specs = self._at_gains_of_wholes(store, run, specs, wholes, span, workers)
            for spec in specs:
                self._deliver(spec, choices[spec.sounding], plan)
            store.touch(identities, self.options.used_at)

    def _other_plans(
        self, soundings: set[frozenset[str] | None], *, none_too: bool = False
    ) -> dict[frozenset[str] | None, Plan]:
        """The plans in which stems but these are mute, for deliveries with `only` or `without`, and for what a solo
        is a part of (`none_too`: also where all sound)."""
        return {
            sounding: build_plan(
                self.opened,
                only=sounding,
                hash_file=self.hash_file,
                surroundings=surroundings(self.options.block_frames),
            )
            for sounding in soundings
            if none_too or sounding is not None
        }

    def _at_gains_of_wholes(
        self,
        store: Store,
        run: str,
        specs: list[DeliverySpec],
        wholes: Mapping[frozenset[str] | None, Plan],
        span: tuple[float, float] | None,
        workers: int,
    ) -> list[DeliverySpec]:
        """The specs of a solo with the gain of the whole mix, which is rendered for it where it is not kept."""
        found = list(specs)
        for sounding, whole in wholes.items():
            here = [i for i, spec in enumerate(specs) if spec.needs_whole and spec.whole_sounding == sounding]
            nodes = [specs[i].node for i in here]
            if span is None:
                choice = choose(whole, store, nodes)
            else:
                choice = choose_stretch(whole, store, nodes, *span, PRE_ROLL_S)
            self._render_nodes(store, run, choice, workers)
            for i in here:
                spec = specs[i]
                is_whole = spec.node not in choice.partial and (spec.frames is None or span is not None)
                found[i] = at_the_gain_of_the_whole(
                    spec,
                    choice.prints,
                    whole.rate_hz,
                    self.opened.recipe.pan_law_db,
                    choice.results[spec.node] if is_whole else None,
                )
        return found

    def _deliver(self, spec: DeliverySpec, choice: Choice, plan: Plan) -> None:
        # A delivery's own stretch meets its own target; one of --from and --to gets the whole mix's gain.
        whole = spec.frames is None or choice.stretch is not None
        known = choice.results[spec.node] if whole and spec.node not in choice.partial else None
        law = self.opened.recipe.pan_law_db
        delivered, failures = deliver(spec, choice.prints, plan.rate_hz, law, known, self.result.recipe_hash)
        self.result.deliveries.append(delivered)
        self.result.warnings += delivered.cautions
        self.result.failures += failures
        self.log.tell(
            "delivered",
            file=delivered.file,
            integrated_lufs=delivered.measured.integrated_lufs,
            true_peak_dbtp=delivered.measured.true_peak_dbtp,
            pcm_sha256=delivered.pcm_sha256,
        )

    def _workers(self, plan: Plan, choice: Choice) -> int:
        if self.options.workers is not None:
            return self.options.workers
        seconds = len(choice.to_render) * plan.session_s
        return min(processors_here(), len(choice.to_render)) if seconds > WORTH_WORKERS_S else 1

    def _render_nodes(self, store: Store, run: str, choice: Choice, workers: int) -> None:
        nodes = {node.name: node for node in choice.to_render}
        here = workers <= 1 or len(nodes) < 2
        for name, kept in choice.results.items():
            self._tell_end(kept.name, kept.kind, True, kept.seconds, choice.frames(name), None)

        def make(name: str) -> NodeTask:
            node = nodes[name]
            read = [part.path for part in _parts(node)]
            return NodeTask(
                node=node,
                prints={one: choice.prints[one] for one in node.needs},
                store=store.folder,
                part=store.part_of(run, node.identity),
                block_frames=self.options.block_frames,
                labels=choice.labels[name],
                stamps={path: self.stamps[path] for path in read if path in self.stamps},
                stretch=choice.stretch,
            )

        def run_here(task: NodeTask) -> Rendered:
            return run_task(task, lambda share: self.progress(task.node.name, min(share, 0.999)))

        def done(name: str, rendered: Rendered) -> None:
            choice.prints[name], choice.results[name] = rendered.printed, rendered.result
            result = rendered.result
            self._tell_end(name, result.kind, False, result.seconds, rendered.printed.n_frames, rendered.peak_memory_mb)
            self.progress(name, 1.0)

        def failed(name: str, error: ChainrunError) -> None:
            self.errors.append(error)

        def again(name: str) -> None:
            self.result.warnings.append(f"{name}: the worker process died; tried once more, alone")
            self.log.tell("node_again", node=name)

        scheduler: Scheduler[NodeTask, Rendered] = Scheduler(
            run_here if here else run_task,
            make,
            done,
            failed,
            begun=lambda name: self.log.tell("node_begin", node=name, kind=nodes[name].kind),
            again=again,
            stops=lambda error: not isinstance(error, WorkerDiedError),
        )
        scheduler.run({name: node.needs for name, node in nodes.items()}, 1 if here else workers)
        if self.errors:
            raise type(self.errors[0])([problem for error in self.errors for problem in error.problems])

    def _tell_end(
        self, name: str, kind: str, from_store: bool, seconds: float, frames: int, memory: float | None
    ) -> None:
        self.log.tell(
            "node_end",
            node=name,
            kind=kind,
            from_store=from_store,
            seconds=0.0 if from_store else round(seconds, 4),
            frames=frames,
            peak_memory_mb=memory,
        )


def size_text(n_bytes: float) -> str:
    """A number of bytes for a person."""
    return f"{n_bytes / 1e9:.1f} GB" if n_bytes >= 1e9 else f"{n_bytes / 1e6:.0f} MB"


def _parts(node: Node) -> list[FilePart]:
    """The files that a node reads: its own, and those of its raw keys."""
    own = list(node.stem.parts) if node.stem is not None else []
    return own + [
        part for _, sources in node.keys for one in sources if one.stem is not None for part in one.stem.parts
    ]


@contextmanager
def _work_store(out: Path) -> Iterator[Store]:
    """A store in the output folder that lives as long as the render; those of dead renders are taken away."""
    with ExitStack() as stack:
        try:
            folder = stack.enter_context(work_folder(WORK_FOLDER, out))
        except OSError as error:
            raise ResourceError(
                Problem(
                    f"the output folder cannot be written to ({error.strerror})",
                    file=str(out),
                    code=Code.OUTPUT_NOT_WRITABLE,
                )
            ) from error
        yield Store(folder)
