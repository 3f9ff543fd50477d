"""Runs the program, in this process or as one of its own, and watches the processes that it starts."""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from chainrun.cli import app
from tests.kill_points import NEVER
from tests.signals import ROOT

COMMAND = (sys.executable, "-m", "chainrun")
"""The program's own words; a command and its arguments come after them."""
DEVNULL = subprocess.DEVNULL
PATIENCE_S = 180
"""Maximum time of a process. It ends processes that hang, and judges nothing."""


@dataclass
class Ran:
    """Result of a command."""

    code: int
    out: str
    err: str

    @property
    def json(self):
        return json.loads(self.out)


def run(*arguments) -> Ran:
    """Runs a command in this process: run("render", path, …)."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="", write_through=True) for _ in range(2))
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = app.main([str(argument) for argument in arguments])
    return Ran(code, *(stream.buffer.getvalue().decode("utf-8") for stream in (out, err)))


def start(*arguments, env=None, cwd=None, command=COMMAND, **more) -> subprocess.Popen:
    """Starts a command as a process of its own, with pipes for what it says."""
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True, **more}
    return subprocess.Popen([*command, *map(str, arguments)], env=env, cwd=cwd, **pipes)


def run_as_process(*arguments, env=None, cwd=None, command=COMMAND, seconds=PATIENCE_S, **more) -> Ran:
    """Runs a command as a process of its own, to its end, with empty input."""
    process = start(*arguments, env=env, cwd=cwd, command=command, **{"stdin": DEVNULL, **more})
    return ended(process, seconds)


def ended(process: subprocess.Popen, seconds: float = PATIENCE_S) -> Ran:
    """Waits for the end of a started process, and returns its result."""
    try:
        out, err = process.communicate(timeout=seconds)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        raise
    return Ran(process.returncode, out or "", err or "")


def run_code(code: str, *arguments, env=None, cwd=None, **more) -> Ran:
    """Runs Python source in a process of its own."""
    return run_as_process("-c", code, *arguments, env=env, cwd=cwd, command=(sys.executable,), **more)


def run_in_shell(script: str, *, env=None, cwd=None, **more) -> Ran:
    """Runs a line of bash in which `chainrun` is the program of this Python."""
    script = f'set -o pipefail; chainrun() {{ "{sys.executable}" -m chainrun "$@"; }}; {script}'
    return run_as_process("-c", script, env=env, cwd=cwd, command=("bash",), **more)


def start_hit_at(point: str, number: int, signum: int, *arguments, told="", env=None, **more) -> subprocess.Popen:
    """Starts a command that sends itself a signal at the n-th of its points: renames, writes, blocks of sound …"""
    command = (sys.executable, "-c", "from tests.kill_points import begin; begin()", point, str(number))
    env = {**(env or os.environ), "PYTHONPATH": str(ROOT)}
    return start(*arguments, command=(*command, str(int(signum)), str(told)), env=env, start_new_session=True, **more)


def points_of(*arguments, told: Path) -> Counter:
    """How many points of each name a command reaches; `told` is a file to count into."""
    ran = ended(start_hit_at(*NEVER, *arguments, told=told))
    assert ran.code == 0, ran.err
    return Counter(json.loads(Path(told).read_text()))


def environment(**more) -> dict[str, str]:
    """This process's environment with more in it, in which other folders' processes find the tests and the package."""
    return {**os.environ, "PYTHONPATH": str(ROOT), **more}


def wait_until(holds, what: str = "it", seconds: float = PATIENCE_S):
    """Asks until the answer is true, and returns it; fails with `what` when patience ends."""
    deadline = time.monotonic() + seconds
    while not (answer := holds()):
        assert time.monotonic() < deadline, f"{what} never came"
        time.sleep(0.01)
    return answer


def living(field: int, pid: int) -> list[int]:
    """Living processes whose field of /proc/PID/stat, counted after the name, is this process."""
    found = []
    for place in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = place.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[field]) == pid and fields[0] != "Z":
            found.append(int(place.parent.name))
    return found


def children_of(pid: int) -> list[int]:
    """Living processes whose parent this is."""
    return living(1, pid)


def session_of(pid: int) -> list[int]:
    """Living processes of the session that a process with start_new_session began; it may be dead itself."""
    return living(3, pid)


def family_of(pid: int) -> list[int]:
    """A process's children and their children: the server of workers, and the workers."""
    return [child for one in children_of(pid) for child in (one, *children_of(one))]


def wait_for_the_end_of(pids) -> None:
    """Waits until all these processes have ended."""
    wait_until(lambda: not [pid for pid in pids if Path(f"/proc/{pid}").exists()], "the end of all children")
