"""The next run removes what a killed one left; signals leave no files."""

from __future__ import annotations

import os
import shutil
import signal
import tempfile
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests import program
from tests.signals import drums
from tests.whole.commands import COMMANDS, files_below


def test_the_next_run_removes_what_a_killed_one_left(place, chainrun):
    """Parts of files, and folders of work, of processes of this machine that are dead; those of others stay."""
    from chainrun.whole_file import this_machine

    dead = program.start(command=["true"])
    program.ended(dead)
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
def test_signals_leave_no_files(place, command, sent, code):
    """In the middle of its work, where it writes; `render` is in tests/cli/test_signals.py."""
    n = 48000 * 10
    soundfile.write("kick.wav", np.tile(drums(48000, seed=1) * 0.5, n // 48000), 48000, subtype="PCM_16")
    shutil.copy("kick.wav", "takes/kick.wav")
    arguments = {
        "survey": ["survey", "takes", "--workers", "1"],
        "verify": ["verify", "song.recipe.toml", "--accept", "--no-store"],
        "pack": COMMANDS["pack"],
    }[command]
    before = files_below(place)
    point = {"survey": ("heard", 2), "verify": ("sound", 2), "pack": ("sound", 1)}[command]
    ran = program.ended(program.start_hit_at(*point, sent, *arguments, env={**os.environ, "TMPDIR": tempfile.tempdir}))
    assert ran.code == code, ran.err
    assert "Traceback" not in ran.err
    after = {path: data for path, data in files_below(place).items() if not path.startswith("out/")}
    assert {path: after.get(path) for path in before} == before
    assert not list(Path(tempfile.tempdir).iterdir())
    assert not [path for path in files_below(place) if ".part" in path]
