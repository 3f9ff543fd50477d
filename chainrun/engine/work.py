"""Renders one node in a worker process and puts its print into the store."""

from __future__ import annotations

import multiprocessing
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from chainrun.engine.node import Progress, Stretch, render_node
from chainrun.engine.result import NodeResult
from chainrun.errors import AudioError, Problem
from chainrun.plan import Node
from chainrun.problem_codes import Code
from chainrun.program import is_program
from chainrun.store.prints import Print
from chainrun.store.store import Store
from chainrun.whole_file import Stamp, stamp


@dataclass(frozen=True)
class NodeTask:
    """Everything a worker needs to render a node."""

    node: Node
    prints: Mapping[str, Print]
    store: Path
    part: Path
    block_frames: int
    stamps: Mapping[str, Stamp]
    """Stamps of the files that it reads, taken when their content was hashed."""
    stretch: Stretch | None = None


@dataclass(frozen=True)
class Rendered:
    """Result of a NodeTask."""

    printed: Print
    result: NodeResult
    peak_memory_mb: float | None


def run_task(task: NodeTask, progress: Progress | None = None) -> Rendered:
    """Render the node and put its print into the store. Raises AudioError if a file changed since it was hashed."""
    _forget_peak_memory()
    printed, result = render_node(
        task.node,
        task.prints,
        task.part,
        block_frames=task.block_frames,
        stretch=task.stretch,
        progress=progress,
    )
    for path, before in task.stamps.items():
        if stamp(Path(path)) != before:
            task.part.unlink(missing_ok=True)
            raise AudioError(
                Problem("the file changed during the render", file=path, hint="render again", code=Code.FILE_CHANGED)
            )
    kept = Store(task.store).publish(task.part, task.node.identity)
    return Rendered(Print(kept, printed.n_channels, printed.n_frames, printed.begin_frame), result, _peak_memory_mb())


def _forget_peak_memory() -> None:
    """Reset the peak memory of this process, if it is a worker or the program."""
    if multiprocessing.parent_process() is None and not is_program():
        return
    with suppress(OSError):  # exists on Linux only
        Path("/proc/self/clear_refs").write_text("5")


def _peak_memory_mb() -> float | None:
    with suppress(OSError):
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return round(int(line.split()[1]) / 1024, 1)
    return None
