"""A whole session: chainrun beside the same session as plain compiled loops, and a second render from cached prints.

python -m tests.bench.session [--seconds 300] [--long]

Twelve mono stems of 24 bits, each gate, compressor, eq of 6 bands, tanh at 4 times the rate; four of them in a room of
1.2 s; a bus compressor, a limiter with true peak, a loudness target, a 24-bit file. The compiled session does the same in
one process, and its mix must be ours to 1 LSB of 24 bits. Times are CPU time of all processes, imports excluded.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

import chainrun.processors  # noqa: F401
from chainrun.delivery import RenderOptions, render
from chainrun.engine import node
from chainrun.loudness import Meter
from chainrun.plan import build_plan
from chainrun.recipe import Overrides, open_recipe
from chainrun.runtime import ChainRunner
from chainrun.store import hasher
from tests.bench.looped import (
    BUS,
    COMPRESSOR,
    EQ,
    GATE,
    LIMITER,
    RATE,
    ROOM,
    ROOMS,
    SATURATE,
    STEMS,
    TARGET,
    compiled_session,
    pan,
)
from tests.signals import drums, noise


def inline(value) -> str:
    """A value as inline TOML."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {inline(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list):
        return "[ " + ", ".join(inline(one) for one in value) + " ]"
    return json.dumps(value)


def chain(i: int) -> list[dict]:
    return [GATE, COMPRESSOR, EQ, SATURATE] + ([{**ROOM, "seed": i}] if i < ROOMS else [])


def write_session(folder: Path, seconds: float) -> Path:
    """Stems and recipe."""
    n = int(seconds * RATE)
    text = "grammar = 1\n"
    for i in range(STEMS):
        x = drums(n, seed=i, bpm=90 + 7 * i) * 0.6 + noise(n, 0.002, seed=100 + i)
        x[: RATE // 10] = 0.0  # The oversampler rings before time 0; the loops cut that off, and our rooms do not.
        soundfile.write(folder / f"s{i}.wav", np.clip(x, -1, 1 - 2**-23), RATE, subtype="PCM_24")
        text += f'[stems.s{i}]\nfile = "s{i}.wav"\nto = "kit"\nlevel_db = -8.0\npan_pct = {pan(i)}\nchain = {inline(chain(i))}\n'
    text += f"[buses.kit]\nchain = {inline([BUS])}\n[main]\nchain = {inline([LIMITER])}\n"
    text += f'[[deliver]]\nfile = "mix.wav"\nbits = 24\ndither = false\ntarget_lufs = {TARGET}\n'
    path = folder / "session.recipe.toml"
    path.write_text(text)
    return path


# -- ours --------------------------------------------------------------------------------------------------------


def cpu() -> float:
    """CPU seconds of this process and of its ended children."""
    return sum(
        used.ru_utime + used.ru_stime
        for used in (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    )


def ours(path: Path, out: Path, store: Path | None, workers: int, *sets: str) -> tuple[float, float]:
    """CPU and wall seconds of a render."""
    opened = open_recipe(path, Overrides(sets=sets))
    began, wall = cpu(), time.perf_counter()
    render(build_plan(opened, hash_file=hasher(store)), out, RenderOptions(store=store, workers=workers))
    return cpu() - began, time.perf_counter() - wall


def kernels_share(path: Path, out: Path) -> float:
    """CPU seconds inside the chains (their start included) and the meters of a render."""
    spent = [0.0]

    def timed(function):
        def run(*arguments, **options):
            began = time.thread_time()
            try:
                return function(*arguments, **options)
            finally:
                spent[0] += time.thread_time() - began

        return run

    chain_run, feed, start = ChainRunner.run, Meter.feed, node.start_chain
    ChainRunner.run, Meter.feed, node.start_chain = timed(chain_run), timed(feed), timed(start)
    try:
        ours(path, out, None, 1)
    finally:
        ChainRunner.run, Meter.feed, node.start_chain = chain_run, feed, start
    return spent[0]


MEMORY = """
import sys
from pathlib import Path
from chainrun.delivery import RenderOptions, render
from chainrun.engine import EventLog
from chainrun.plan import build_plan
from chainrun.recipe import open_recipe
log = EventLog(Path(sys.argv[3]))
render(build_plan(open_recipe(Path(sys.argv[1]))), Path(sys.argv[2]), RenderOptions(workers=int(sys.argv[4])), log=log)
"""


def peak_memory(path: Path, out: Path, workers: int = 2) -> float:
    """Largest peak memory of a worker, in MB."""
    log = out / "memory.jsonl"
    out.mkdir(exist_ok=True)
    script = out / "memory.py"
    script.write_text('if __name__ == "__main__":\n    ' + MEMORY.strip().replace("\n", "\n    ") + "\n")
    subprocess.run([sys.executable, str(script), str(path), str(out), str(log), str(workers)], check=True)
    events = [json.loads(line) for line in log.read_text().splitlines()]
    return max(event["peak_memory_mb"] or 0.0 for event in events if event["event"] == "node_end")


def difference_lsb(one: Path, other: Path, n: int) -> float:
    """Difference over the session itself: ours cuts the tail 90 dB below its peak."""
    a, _ = soundfile.read(one, dtype="int32")
    b, _ = soundfile.read(other, dtype="int32")
    return float(np.abs((a[:n].astype(np.int64) - b[:n]) / 256).max())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=300.0)
    parser.add_argument("--long", action="store_true", help="also one of 16 stems, and one 12 times as long")
    arguments = parser.parse_args()
    for name in ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE"):
        if name in os.environ:
            print(f"note: {name} is set; unset it, or say so beside the figures", file=sys.stderr)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        warm = folder / "warm"
        warm.mkdir()
        write_session(warm, 4.0)
        ours(warm / "session.recipe.toml", warm / "out", None, 1)
        compiled_session(warm, warm / "compiled.wav", soundfile.info(warm / "out" / "mix.wav").frames)
        path = write_session(folder, arguments.seconds)
        one_cpu, one_wall = ours(path, folder / "one", None, 1)
        theirs = compiled_session(folder, folder / "compiled.wav", soundfile.info(folder / "one" / "mix.wav").frames)
        store = folder / "store"
        _, two_wall = ours(path, folder / "two", store, 2)
        apart = difference_lsb(folder / "one" / "mix.wav", folder / "compiled.wav", int(arguments.seconds * RATE))
        same = (folder / "one" / "mix.wav").read_bytes() == (folder / "two" / "mix.wav").read_bytes()
        _, again = ours(path, folder / "again", store, 1)
        stem, _ = ours(path, folder / "stem", store, 1, "stems.s7.chain.1.ratio=3")
        fader, _ = ours(path, folder / "fader", store, 1, "stems.s7.level_db=-7")
        inside = kernels_share(path, folder / "inside")
        print(f"| session of {STEMS} stems, {arguments.seconds:g} s | |\n| --- | --- |")
        print(f"| compiled loops, CPU | {theirs:.1f} s |")
        print(f"| chainrun, CPU, 1 worker | {one_cpu:.1f} s, {one_cpu / theirs:.2f} of it |")
        print(f"| … real time | {arguments.seconds / one_wall:.0f} times |")
        print(f"| … outside chains and meters | {1 - inside / one_cpu:.1%} |")
        print(f"| 2 workers, wall | {two_wall:.1f} s, {one_wall / two_wall:.2f} times as fast; same bytes: {same} |")
        print(f"| mix against compiled | {apart:.0f} LSB of 24 bits at most |")
        print(f"| again, nothing changed, wall | {again:.2f} s |")
        print(f"| after one stem's change, CPU | {stem / one_cpu:.1%} |")
        print(f"| after a fader, CPU | {fader / one_cpu:.1%} |")
        print(f"| peak memory of a worker | {peak_memory(path, folder / 'memory'):.0f} MB |")
        if arguments.long:
            long_session(folder, arguments.seconds)


def long_session(folder: Path, seconds: float) -> None:
    """CPU time and memory of 16 stems, and of the same 12 times as long."""
    global STEMS
    STEMS = 16
    found = []
    for name, length in (("short", seconds), ("long", 12 * seconds)):
        place = folder / name
        place.mkdir()
        path = write_session(place, length)
        began = cpu()
        peak_memory(path, place / "one", 1)
        spent = cpu() - began
        found.append((peak_memory(path, place / "two"), spent))
        for stem in place.glob("s*.wav"):
            stem.unlink()
    (short_mb, short_s), (long_mb, long_s) = found
    print(f"| {STEMS} stems: 12 times as long costs | {long_s / short_s:.2f} times the CPU time |")
    print(
        f"| … peak memory of one of 2 workers, {seconds:g} s and {12 * seconds:g} s | {short_mb:.0f} MB, {long_mb:.0f} MB |"
    )


if __name__ == "__main__":
    main()
