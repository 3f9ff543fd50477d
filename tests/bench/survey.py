"""Accuracy and speed of the survey.

python -m tests.bench.survey            30 seeded sessions: polarity, delays, confidence
python -m tests.bench.survey --speed    12 microphones of 5 minutes
"""

from __future__ import annotations

import os
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import soundfile

from chainrun.survey.channels import of_folder
from chainrun.survey.survey import survey
from tests.signals import ROOT
from tests.survey.random_sessions import table, told


def long_session(folder: Path, minutes: float = 5.0) -> None:
    """12 microphones: the demo's, over and over, and two once more."""
    for path in sorted((ROOT / "fixtures" / "tithe-barn").glob("*.flac")):
        x, rate = soundfile.read(path)
        for name in (
            path.stem,
            *(("room",) if path.stem == "barn" else ()),
            *(("kick_out",) if path.stem == "kick" else ()),
        ):
            if x.ndim == 1 and rate == 48000:
                soundfile.write(folder / f"{name}.flac", np.tile(x, round(minutes * 6)), rate)


class Watch(threading.Thread):
    """The largest sum of resident memory over this process and its workers, by /proc."""

    def __init__(self):
        super().__init__(daemon=True)
        self.peak_mb, self.over = 0.0, threading.Event()

    def run(self):
        while not self.over.wait(0.1):
            total = 0
            for stat in Path("/proc").glob("[0-9]*/stat"):
                try:
                    fields = stat.read_text().rsplit(")", 1)[1].split()
                except OSError:
                    continue
                if int(fields[2]) == os.getpgrp():
                    total += int(fields[21]) * os.sysconf("SC_PAGE_SIZE")
            self.peak_mb = max(self.peak_mb, total / 1e6)


if __name__ == "__main__":
    if "--speed" in sys.argv:
        with tempfile.TemporaryDirectory() as name:
            long_session(Path(name))
            watch = Watch()
            watch.start()
            begin = time.perf_counter()
            done = survey(of_folder(Path(name)), workers=2)
            seconds = time.perf_counter() - begin
            watch.over.set()
            print(
                f"{len(done.material.channels)} microphones, 5 min: {seconds:.1f} s, {watch.peak_mb:.0f} MB in all processes"
            )
    else:
        for line in table(told(range(1, 31))):
            print(f"| {line[0]} | {line[1]} |")
