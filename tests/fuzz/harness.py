"""Runs cases in processes of their own with bounds on memory and time, and reports the claims that they break."""

from __future__ import annotations

import contextlib
import io
import json
import os
import random
import resource
import shutil
import signal
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from tests import program
from tests.fuzz import headers, recipes
from tests.signals import ROOT, drums, noise

MAX_S = {"recipes": 2.0, "headers": 5.0, "renders": 20.0}
"""Of processor time: a recipe is refused in 2 s, a file in 5; a render may take what it takes.

`python -m tests.fuzz` judges by it. The tests do not, where ten times as much ends a process that hangs."""
MAX_BYTES = 3 << 30
"""Of address space; a process that asks for more gets none."""
MAX_TALK = 300_000
TIMED = False
DEFAULT_CODES = {0, 1, 2, 3, 4, 5}


@dataclass
class Broken:
    """A claim that a case broke."""

    kind: str
    seed: int
    why: str


def session(folder: Path) -> None:
    """The files beside every recipe."""
    n = 4800
    soundfile.write(folder / "mono.wav", noise(n, seed=1), 48000, subtype="PCM_24")
    soundfile.write(folder / "pair.wav", np.stack([noise(n, seed=2), noise(n, seed=3)]).T, 48000, subtype="FLOAT")
    soundfile.write(folder / "hits.flac", drums(n, seed=4), 44100)
    soundfile.write(folder / "hall.wav", noise(2400, seed=5) * np.exp(-np.arange(2400) / 400), 48000)
    shutil.copytree(recipes.PRESETS, folder / "presets", dirs_exist_ok=True)


def _ran(arguments: list[str], bound_s: float) -> tuple[int, str, float]:
    """A command's exit code, its whole output, and its processor time. Raises what the program does not catch."""
    from chainrun.cli.app import main

    out = io.StringIO()
    began = time.process_time()
    signal.setitimer(signal.ITIMER_PROF, 10 * bound_s)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(out):
            code = main(arguments)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
    return code, out.getvalue(), time.process_time() - began


def _judge(code: int, said: str, seconds: float, bound_s: float) -> str | None:
    if code not in DEFAULT_CODES:
        return f"exit {code}: {said[-300:]}"
    if TIMED and seconds > bound_s:
        return f"took {seconds:.1f} s"
    if len(said) > MAX_TALK:
        return f"said {len(said)} letters"
    steering = [letter for letter in said if not letter.isprintable() and letter not in "\n\r"]
    return f"steers the terminal by {steering[0]!r}" if steering else None


def try_recipe(data: bytes, folder: Path, *, rendered: bool) -> str | None:
    """Claims that a recipe breaks in check and, if it is valid and that is wanted, in a render."""
    path = folder / "case.recipe.toml"
    path.write_bytes(data)
    code, said, seconds = _ran(["check", str(path)], MAX_S["recipes"])
    why = _judge(code, said, seconds, MAX_S["recipes"])
    if why is not None or code != 0 or not rendered:
        return why
    out = folder / "out"
    # What is valid and long is only long: limits hold it to what a case may cost.
    bounds = ["--limit", "work_h=0.002", "--limit", "disk_gb=0.2", "--limit", "length_s=60", "--limit", "memory_gb=0.5"]
    code, said, seconds = _ran(
        ["render", str(path), "-o", str(out), "--no-store", "--quiet", "--workers", "1", *bounds], MAX_S["renders"]
    )
    why = _judge(code, said, seconds, MAX_S["renders"])
    for file in out.rglob("*") if out.exists() else ():
        if file.name.startswith(".") or file.suffix not in (".wav", ".flac", ".ogg", ".mp3", ".json", ""):
            why = why or f"left {file.name}"
        if file.suffix == ".wav" and not np.isfinite(soundfile.read(file)[0]).all():
            why = why or "delivers what is no number"
    shutil.rmtree(out, ignore_errors=True)
    return why and f"render: {why}"


def try_header(data: bytes, folder: Path) -> str | None:
    """Claims that an audio file breaks, measured and surveyed as a stem."""
    path = folder / "case.wav"
    path.write_bytes(data)
    why = _judge(*_ran(["measure", str(path)], MAX_S["headers"]), MAX_S["headers"])
    if why is None:
        (folder / "case.recipe.toml").write_text('grammar = 1\n[stems.a]\nfile = "case.wav"\n')
        why = _judge(*_ran(["check", str(folder / "case.recipe.toml")], MAX_S["headers"]), MAX_S["headers"])
    return why


def run_slice(kind: str, seeds: range, every: int, timed: bool) -> None:
    """Cases in turn, in a process of its own; a JSON line before each has its seed, one after it the broken claims."""
    global TIMED
    TIMED = timed
    resource.setrlimit(resource.RLIMIT_AS, (MAX_BYTES, MAX_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    os.environ["CHAINRUN_TRACEBACK"] = "1"
    told = os.fdopen(os.dup(1), "w", buffering=1)
    with tempfile.TemporaryDirectory(prefix="chainrun-fuzz-") as name:
        folder = Path(name)
        session(folder)
        os.chdir(folder)
        for seed in seeds:
            told.write(json.dumps({"seed": seed}) + "\n")
            rng = random.Random(f"{kind} {seed}")
            try:
                if kind == "recipes":
                    why = try_recipe(recipes.case(rng), folder, rendered=seed % every == 0)
                else:
                    why = try_header(headers.case(rng), folder)
            except BaseException as error:
                if isinstance(error, KeyboardInterrupt):
                    raise
                why = f"{type(error).__name__}: {error}"
            if why:
                told.write(json.dumps({"broken": seed, "why": why}) + "\n")
        told.write(json.dumps({"done": True}) + "\n")


def run(
    kind: str,
    cases: int,
    seed: int = 0,
    *,
    every: int = 8,
    timed: bool = False,
    say: Callable[[str], None] = lambda text: None,
) -> list[Broken]:
    """All cases, in slices, each slice in a process; a process that dies loses only its current case."""
    found: list[Broken] = []
    at, end = seed, seed + cases
    while at < end:
        upto = min(end, at + 1000)
        code = f"from tests.fuzz.harness import run_slice; run_slice({kind!r}, range({at}, {upto}), {every}, {timed})"
        ran = program.run_code(code, cwd=ROOT, stderr=None, seconds=3600)
        lines = [json.loads(line) for line in ran.out.splitlines()]
        found += [Broken(kind, line["broken"], line["why"]) for line in lines if "broken" in line]
        reached = max((line["seed"] for line in lines if "seed" in line), default=at)
        if not (lines and "done" in lines[-1]):
            found.append(Broken(kind, reached, f"the process ended with {ran.code}"))
            at = reached + 1
        else:
            at = upto
        say(f"{kind}: {at - seed} of {cases}, {len(found)} broken")
    return found
