"""Measures, and writes the results into tests/bench/RESULTS.md: about half an hour for all of it.

python -m tests.bench.all [SECTION …] [--into FILE] [--python PYTHON …]

Without a word every section is measured; with words those alone, and the others stay as they are. A section whose
bench fails stays as it is, too, and the exit code is 1.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from tests.signals import ROOT

RESULTS = ROOT / "tests" / "bench" / "RESULTS.md"
HEAD = """# Measured

Written by `python -m tests.bench.all`, never by hand. Without arguments it measures all sections (about half an hour), with
names of sections (`python -m tests.bench.all kernels startup`) only those. Each section says with which command, when, on
which machine and with which versions it was measured, or "not recorded" where nobody wrote that down at the time.
The conclusions from these numbers are in chainrun/docs/decisions.md.
"""
LIBRARIES = ("numpy", "scipy", "numba")


@dataclass(frozen=True)
class Section:
    """One bench: the words after `python -m`, and what its table says."""

    command: tuple[str, ...]
    about: str

    @property
    def told(self) -> str:
        """The command, as it is typed."""
        return " ".join(["python", "-m", *self.command])


SECTIONS = {
    "kernels": Section(
        ("tests.bench", "--markdown"),
        'CPU time, the median of 7, in blocks of 61,440 frames, with one BLAS thread. "Compiled" is the loop that a '
        "competent user would compile with numba (tests/bench/compiled.py), measured in the same run: only the ratio means "
        "something on another machine. Stereo kernels count stereo frames.",
    ),
    "steps": Section(
        ("tests.bench", "steps"),
        "Whole steps as a chain runs them, and the cost of their options; they have no compiled twin.",
    ),
    "saturation": Section(
        ("tests.bench", "saturation"),
        "Saturation: the cost of each form, and the level of its aliases. The antiderivative form is that of Parker, Zavalishin "
        "and Le Bivic, DAFx-16.",
    ),
    "eq_shape": Section(
        ("tests.bench", "eq_shape"),
        "Bells and shelves against their analog prototypes: the worst case up to 0.9 of the Nyquist frequency, for bands from "
        "30 Hz to 16 kHz and up to 12 dB. A band whose bilinear form is within 0.01 dB keeps that form; the others cost two "
        "sections.",
    ),
    "meter": Section(
        ("tests.bench.meter",),
        "The meter beside libebur128: CPU seconds for 5 minutes of stereo.",
    ),
    "startup": Section(
        ("tests.bench.startup",),
        "Time of commands, with the start of Python: wall time, the median of 9.",
    ),
    "session": Section(
        ("tests.bench.session", "--long"),
        "A whole session beside the same one as plain compiled loops: twelve mono stems of 5 minutes, each through gate, "
        "compressor, eq of 6 bands and tanh at 4 times the rate; four rooms of 1.2 s, a bus compressor, a limiter, a loudness "
        "target and a file of 24 bits.",
    ),
    "survey": Section(
        ("tests.bench.survey",),
        "Surveys of 30 seeded sessions whose truth is known: other positions, hits, levels, noise and polarities than the "
        "demo's.",
    ),
    "survey_speed": Section(
        ("tests.bench.survey", "--speed"),
        "A survey of 12 microphones of 5 minutes with 2 workers.",
    ),
    "catalogue": Section(
        ("tests.bench.catalogue", "--plan"),
        "Presets that do the same, found in a generated library; then the time of a cull plan over 200 recipes, without and "
        "with cached profiles in the store.",
    ),
    "verifier": Section(
        ("tests.bench.verifier", "64"),
        "Results of `verify` for known changes of the demo recipe: every kind of number, changed a little or a lot by turns; "
        "8 faults as an engine would make them; 4 stems with a click, a gap or a dip. The true residual is measured from the audio.",
    ),
    "determinism": Section(
        ("tests.bench.determinism",),
        "Five recipes rendered in other ways, against one worker. Prints are float32, whose last bit is 6e-8 of full scale: "
        "-144 dBFS.",
    ),
    "fuzz": Section(
        ("tests.fuzz", "--cases", "20000", "--headers", "4000", "--seed", "1000000"),
        "Recipes and audio headers made wrong at random; tests/fuzz describes each claim.",
    ),
}


def machine() -> str:
    """The processor, how many there are, and the system."""
    info = Path("/proc/cpuinfo")
    names = re.findall(r"^model name\s*:\s*(.*)$", info.read_text(), re.MULTILINE) if info.exists() else []
    model = names[0] if names else platform.processor() or "processor not known"
    return f"{model}, {os.cpu_count()} processors, {platform.system()} {platform.machine()}"


def versions() -> str:
    """Python, and the libraries that do the arithmetic."""
    return ", ".join([f"Python {platform.python_version()}", *(f"{one} {metadata.version(one)}" for one in LIBRARIES)])


def as_markdown(output: str) -> str:
    """A bench's output: tables as they are, each with a head; other lines as they were on the screen."""
    told: list[str] = []
    for block in re.split(r"\n{2,}", output.strip("\n")):
        for is_table, lines in _runs(block.splitlines()):
            if is_table and not (len(lines) > 1 and set(lines[1]) <= set("|- ")):
                lines = ["| asked | found |", "| --- | --- |", *lines]
            told.append("\n".join(lines if is_table else ["```text", *lines, "```"]))
    return "\n\n".join(told)


def _runs(lines: Iterable[str]) -> list[tuple[bool, list[str]]]:
    """Runs of lines that belong to a table, or do not."""
    found: list[tuple[bool, list[str]]] = []
    for line in lines:
        is_table = line.startswith("|")
        if not found or found[-1][0] != is_table:
            found.append((is_table, []))
        found[-1][1].append(line)
    return found


def section_text(name: str, body: str, *, date: str, on: str, with_versions: str) -> str:
    """A section, as it is in the file."""
    one = SECTIONS[name]
    facts = f"- command: `{one.told}`\n- date: {date}\n- machine: {on}\n- versions: {with_versions}"
    return f"## {name}\n\n{textwrap.fill(one.about, 120)}\n\n{facts}\n\n{body}\n"


def sections_of(text: str) -> dict[str, str]:
    """The sections that a file holds, by their names."""
    parts = re.split(r"^(?=## )", text, flags=re.MULTILINE)[1:]
    return {part.split("\n", 1)[0].removeprefix("## ").strip(): part.rstrip("\n") + "\n" for part in parts}


def whole(sections: dict[str, str]) -> str:
    """The file: its head, and all sections in the order of SECTIONS."""
    return "\n".join([HEAD, *(sections[name] for name in SECTIONS if name in sections)])


def measured(one: Section, more: Iterable[str] = ()) -> str | None:
    """Output of a bench that is started with more words; None if it failed."""
    # These may name another processor; benches measure the one that is there.
    environment = {k: v for k, v in os.environ.items() if k not in ("OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE")}
    lines = []
    with subprocess.Popen(
        [sys.executable, "-m", *one.command, *more], cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True
    ) as running:
        assert running.stdout is not None
        for line in running.stdout:
            print(line, end="", flush=True)
            lines.append(line)
    return None if running.returncode else "".join(lines)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.all", description=__doc__)
    parser.add_argument("sections", nargs="*", metavar="SECTION", help=", ".join(SECTIONS))
    parser.add_argument("--into", type=Path, default=RESULTS, metavar="FILE", help="another file than RESULTS.md")
    parser.add_argument("--python", action="append", default=[], metavar="PYTHON", help="determinism: another Python")
    known = parser.parse_args(arguments)
    unknown = [name for name in known.sections if name not in SECTIONS]
    if unknown:
        parser.error(f"no section is called {', '.join(unknown)}; there are {', '.join(SECTIONS)}")
    failed = 0
    for name in known.sections or SECTIONS:
        print(f"\n## {name}: {SECTIONS[name].told}\n", flush=True)
        printed = measured(SECTIONS[name], known.python if name == "determinism" else ())
        if printed is None:
            print(f"{name} failed, and stays as it was", file=sys.stderr)
            failed += 1
            continue
        text = known.into.read_text(encoding="utf-8") if known.into.exists() else ""
        new = section_text(
            name, as_markdown(printed), date=time.strftime("%Y-%m-%d"), on=machine(), with_versions=versions()
        )
        known.into.write_text(whole({**sections_of(text), name: new}), encoding="utf-8")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
