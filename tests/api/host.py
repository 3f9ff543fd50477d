"""A host program that renders with the library, and reports what changed in its process: `python -m tests.api.host`."""

from __future__ import annotations

import json
import multiprocessing
import os
import resource
import signal
import sys
import tempfile
import threading
import time
from pathlib import Path

import chainrun
from chainrun.blas import _function, _libraries
from chainrun.scheduler import worker_pool


def sleep_for(seconds: float) -> None:
    """A task that takes this long."""
    time.sleep(seconds)


def libraries():
    """BLAS libraries of NumPy and of SciPy."""
    return [*_libraries("numpy"), *_libraries("scipy")]


def state() -> dict[str, object]:
    """State of this process that a library must not change."""
    return {
        "environment": dict(os.environ),
        "folder": os.getcwd(),
        "blas threads": [_function(one, "get_num_threads")() for one in libraries()],
        "start method": multiprocessing.get_start_method(allow_none=True),
        "children": len(multiprocessing.active_children()),
        "threads": threading.active_count(),
        "signals": [str(signal.getsignal(one)) for one in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)],
        "temporary files": sorted(os.listdir(tempfile.gettempdir())),
        "excepthook": sys.excepthook is sys.__excepthook__,
    }


def render(recipe: str, workers: int) -> dict[str, object]:
    """The state before and after a render."""
    for one in libraries():
        _function(one, "set_num_threads")(2)
    before = state()
    chainrun.render(recipe, "out", workers=workers)
    return {"before": before, "after": state()}


def overlapping(recipe: str) -> dict[str, object]:
    """The state before and after renders in threads that overlap."""
    for one in libraries():
        _function(one, "set_num_threads")(2)
    before = state()
    threads = [
        threading.Thread(target=chainrun.render, args=(recipe, f"out-{i}"), kwargs={"workers": 1 + i % 2})
        for i in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return {"before": before, "after": state()}


def stop_a_pool() -> dict[str, object]:
    """Whether a child of the host outlives a pool that is stopped, and whether the pool's workers do not."""
    own = multiprocessing.get_context("spawn").Process(target=sleep_for, args=(600,))
    own.start()
    try:
        with worker_pool(2) as pool:
            futures = [pool.submit(sleep_for, 600) for _ in range(2)]
            while not any(future.running() for future in futures):
                time.sleep(0.01)
            raise RuntimeError("stop")
    except RuntimeError:
        left = multiprocessing.active_children()
    own.kill()
    own.join()
    return {"left": [one.pid == own.pid for one in left]}


def many(recipe: str, count: int) -> dict[str, object]:
    """Memory in use, descriptors, threads and temporary files after each of `count` renders."""
    seen = []
    for _ in range(count):
        chainrun.render(recipe, "out", workers=1)
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        seen.append(
            {
                "memory": pages * resource.getpagesize(),
                "descriptors": len(os.listdir("/proc/self/fd")),
                "threads": threading.active_count(),
                "files": len(os.listdir(tempfile.gettempdir())),
            }
        )
    return {"seen": seen}


if __name__ == "__main__":
    what, *arguments = sys.argv[1:]
    if what == "render":
        print(json.dumps(render(arguments[0], int(arguments[1]))))
    elif what == "overlapping":
        print(json.dumps(overlapping(arguments[0])))
    elif what == "pool":
        print(json.dumps(stop_a_pool()))
    else:
        print(json.dumps(many(arguments[0], int(arguments[1]))))
