"""The next run takes away what a killed one left; signals leave nothing behind."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.signals import drums
from tests.whole.commands import COMMANDS, files_below


def test_the_next_run_takes_away_what_a_killed_one_left(place, chainrun):
    """Parts of files, and folders of work, of processes of this machine that are dead; those of others stay."""
    from chainrun.whole_file import this_machine

    dead = subprocess.Popen(["true"])
    dead.wait()
    out = Path("out")
    out.mkdir()
    mine, other = f"{this_machine()}-{dead.pid}", f"abcdef-{dead.pid}"
    for name in (mine, other):
        (out / f".mix.wav.{name}.part").write_bytes(b"half")
        (out / f".chainrun-work-{name}-x").mkdir()
        (Path(tempfile.tempdir) / f"chainrun-compare-{name}-x").mkdir()
    assert chainrun("render", "song.recipe.toml", "-o", "out", "--no-store", "--quiet").code == 0
    assert chainrun("compare", "kick.wav", "pair.wav").code == 0
    left = {path.name for path in [*out.iterdir(), *Path(tempfile.tempdir).iterdir()]}
    assert {f".mix.wav.{other}.part", f".chainrun-work-{other}-x", f"chainrun-compare-{other}-x"} <= left
    assert not [name for name in left if mine in name]


@pytest.mark.parametrize(
    ("command", "sent", "code"),
    [("survey", signal.SIGHUP, 143), ("verify", signal.SIGTERM, 143), ("pack", signal.SIGINT, 130)],
)
def test_signals_leave_nothing_behind(place, command, sent, code):
    """Beside `render`, which tests/test_commands.py has."""
    n = 48000 * 120
    soundfile.write("kick.wav", np.tile(drums(48000, seed=1) * 0.5, n // 48000), 48000, subtype="PCM_16")
    shutil.copy("kick.wav", "takes/kick.wav")
    arguments = {
        "survey": ["survey", "takes"],
        "verify": ["verify", "song.recipe.toml", "--accept", "--no-store"],
        "pack": COMMANDS["pack"],
    }[command]
    before = files_below(place)
    process = subprocess.Popen(
        [sys.executable, "-m", "chainrun", *arguments],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env={**os.environ, "TMPDIR": tempfile.tempdir},
    )  # fmt: skip
    time.sleep(2.5)
    process.send_signal(sent)
    _, said = process.communicate(timeout=20)
    if process.returncode == 0:
        pytest.skip("the machine was faster than the signal")
    assert process.returncode == code, said
    assert "Traceback" not in said
    after = {path: data for path, data in files_below(place).items() if not path.startswith("out/")}
    assert {path: after.get(path) for path in before} == before
    assert not list(Path(tempfile.tempdir).iterdir())
    assert not [path for path in files_below(place) if ".part" in path]
