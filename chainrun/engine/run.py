"""Renders the nodes that are not in the store, in this process or in worker processes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from chainrun.engine.choice import Choice
from chainrun.engine.log import EventLog
from chainrun.engine.result import NodeResult
from chainrun.engine.work import NodeTask, Rendered, run_task
from chainrun.errors import ChainrunError
from chainrun.plan import Plan
from chainrun.program import is_program
from chainrun.scheduler import Scheduler, WorkerDiedError, processors_here
from chainrun.store import Print, Store

WORTH_WORKERS_S = 300.0
"""With more seconds of prints to render than this, worker processes pay for their start (about a second each)."""
Progress = Callable[[str, float], None]
"""Called with a node's name and the share of it that is rendered, 0 … 1: 0 while it waits for its turn."""
BYTES_A_SAMPLE = 4
"""Size of a print's sample."""
MIN_SHARE = 0.001
"""Share of a node that a worker process has begun, before anything of it is written."""


def worthwhile_workers(wanted: int | None, n_nodes: int, session_s: float) -> int:
    """Number of worker processes for `n_nodes` nodes: `wanted` if given, else as many as save time.

    In a host's process the default is 1: each worker runs the host's main script again, which must be prepared for it.
    """
    if wanted is not None:
        return wanted
    if not is_program():
        return 1
    return min(processors_here(), n_nodes) if n_nodes * session_s > WORTH_WORKERS_S else 1


@dataclass
class NodeRuns:
    """Renders nodes of a plan into a store. `run` is the name under which the store protects their prints."""

    plan: Plan
    store: Store
    run: str
    workers: int
    log: EventLog
    progress: Progress
    warn: Callable[[str], None]

    def render(self, choice: Choice) -> None:
        """Render the chosen nodes, and add prints and results to the choice.

        If nodes fail, raises an error of the first one's type with the problems of all.
        """
        for name, kept in choice.results.items():
            self.log_end(kept, choice.frames(name), from_store=True)
        _Render(self, choice).run()

    def log_end(self, result: NodeResult, frames: int, *, from_store: bool, memory_mb: float | None = None) -> None:
        """Log that a node is available, from the store or rendered."""
        self.log.record(
            "node_end",
            node=result.name,
            kind=result.kind,
            from_store=from_store,
            seconds=0.0 if from_store else round(result.seconds, 4),
            frames=frames,
            peak_memory_mb=memory_mb,
        )


class _Render:
    """One run of the scheduler over the nodes of a choice."""

    def __init__(self, runs: NodeRuns, choice: Choice):
        self._runs, self._choice = runs, choice
        self._nodes = {node.name: node for node in choice.to_render}
        self._here = runs.workers <= 1 or len(self._nodes) < 2
        self._errors: list[ChainrunError] = []
        self._parts: dict[str, Path] = {}
        """Where each node that was begun is written to."""

    def run(self) -> None:
        scheduler: Scheduler[NodeTask, Rendered] = Scheduler(
            self._run_here if self._here else run_task,
            self._task,
            self._done,
            lambda _name, error: self._errors.append(error),
            begun=self._begun,
            again=self._again,
            running=self._running,
            stops=lambda error: not isinstance(error, WorkerDiedError),
        )
        for name in self._nodes:
            self._runs.progress(name, 0.0)
        needs: dict[str, Sequence[str]] = {name: node.needs for name, node in self._nodes.items()}
        scheduler.run(needs, 1 if self._here else self._runs.workers)
        if self._errors:
            raise type(self._errors[0])([problem for error in self._errors for problem in error.problems])

    def _task(self, name: str) -> NodeTask:
        node, runs = self._nodes[name], self._runs
        part = self._parts[name] = runs.store.part_of(runs.run, node.identity)
        prints: dict[str, Print] = {one: self._choice.prints[one] for one in node.needs}
        return NodeTask(
            node=node,
            prints=prints,
            store=runs.store.folder,
            part=part,
            block_frames=runs.plan.block_frames,
            stamps={path: runs.plan.stamps[path] for path in node.files if path in runs.plan.stamps},
            stretch=self._choice.stretch,
        )

    def _run_here(self, task: NodeTask) -> Rendered:
        return run_task(task, lambda share: self._runs.progress(task.node.name, min(share, 0.999)))

    def _begun(self, name: str) -> None:
        self._runs.log.record("node_begin", node=name, kind=self._nodes[name].kind)

    def _running(self, names: Iterable[str]) -> None:
        """Report how far worker processes are, by the bytes that they have written."""
        for name in names:
            node, share = self._nodes[name], 0.0
            stretch = self._choice.stretch
            frames = stretch.end_frame - stretch.begin_frame if stretch is not None else node.session_s * node.rate_hz
            with suppress(OSError):  # it is not there yet, or published already
                share = self._parts[name].stat().st_size / max(1, frames * node.n_channels_out * BYTES_A_SAMPLE)
            self._runs.progress(name, min(max(share, MIN_SHARE), 0.999))

    def _done(self, name: str, rendered: Rendered) -> None:
        self._choice.prints[name], self._choice.results[name] = rendered.printed, rendered.result
        frames, memory_mb = rendered.printed.n_frames, rendered.peak_memory_mb
        self._runs.log_end(rendered.result, frames, from_store=False, memory_mb=memory_mb)
        self._runs.progress(name, 1.0)

    def _again(self, name: str) -> None:
        self._runs.warn(f"{name}: the worker process died; rendered again in a process of its own")
        self._runs.log.record("node_again", node=name)
