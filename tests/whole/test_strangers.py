"""Files from strangers: recipes, pipes and names that are refused in time, and inputs that stay as they are."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests import program
from tests.whole import hostile

MAX_CALLS = 10_000_000
"""The most expensive of them, a table of thirty thousand sends, costs seven million."""

MAX_MB = 500

CHECK_ALL = """
import json, sys
from chainrun.cli.app import main
from tests.work import Work
main(["check", "usual.recipe.toml"])
found = {}
for name in sys.argv[1:]:
    with Work() as work:
        code = main(["check", name])
    # Not ru_maxrss: that one also counts what the process was before it became this program.
    peak = int(next(line for line in open("/proc/self/status") if line.startswith("VmHWM")).split()[1]) / 1024
    found[name] = [code, work.calls, peak]
print(json.dumps(found))
"""


def folder_state(folder):
    """Every file of a folder with its content."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
        if not path.is_fifo()
    }


def test_hostile_recipes_are_refused_in_time_and_memory(tmp_path):
    """Time counted in calls, so that a busy machine does not matter; memory of one process for all."""
    folder = tmp_path / "session"
    folder.mkdir()
    soundfile.write(folder / "k.wav", np.sin(np.arange(4800) / 10) * 0.3, 48000)
    names = hostile.write(folder)
    (folder / "usual.recipe.toml").write_text(hostile.HEAD + hostile.STEM)
    before = folder_state(tmp_path)
    ran = program.run_code(CHECK_ALL, *names, cwd=folder, env=program.environment(PYTHONDONTWRITEBYTECODE="1"))
    assert ran.code == 0, ran.err[-2000:]
    found = json.loads(ran.out.splitlines()[-1])
    bad = {
        name: told for name, told in found.items() if told[0] not in (3, 4) or told[1] > MAX_CALLS or told[2] > MAX_MB
    }
    assert not bad
    assert len(found) == len(hostile.recipes())
    assert folder_state(tmp_path) == before
    assert "Traceback" not in ran.err
    assert not [letter for letter in ran.err if not (letter.isprintable() or letter == "\n")]


@pytest.mark.parametrize(
    "command", ["check", "render", "resolve", "verify", "survey", "walkthrough", "pack", "compare"]
)
def test_pipes_in_place_of_recipes_do_not_hang(session, command):
    os.mkfifo("pipe.recipe.toml")
    os.mkfifo("song.baseline.toml")
    more = {
        "walkthrough": ["-o", "w"],
        "pack": ["--write", "p.zip", "--no-licence"],
        "compare": ["--variant", "x"],
    }.get(command, [])
    ran = program.run_as_process(command, "pipe.recipe.toml", *more)
    assert ran.code == 3 and "not a plain file" in ran.err


def test_a_pipe_in_place_of_a_baseline_or_a_plan(session, chainrun):
    song = session.write('grammar = 1\n[stems.kick]\nfile = "kick.wav"\n')
    for name, arguments in (
        ("song.baseline.toml", ("verify", song)),
        ("2026.cull.toml", ("cull", "try", "2026.cull.toml")),
        ("n.jobs.toml", ("batch", "n.jobs.toml")),
        ("pipe.wav", ("measure", "pipe.wav")),
        ("pack.zip", ("check", "pack.zip")),
    ):
        os.mkfifo(name)
        ran = chainrun(*arguments)
        assert ran.code in (3, 4), (name, ran.err)
        assert "plain file" in ran.err or "no such file" in ran.err, (name, ran.err)


def test_inputs_are_read_only_and_stay_as_they_are(demo, tmp_path, chainrun):
    """Every input without permission to write, rendered and surveyed; nothing but the output appears."""
    for path in tmp_path.rglob("*"):
        path.chmod(0o555 if path.is_dir() else 0o444)
    before = folder_state(tmp_path)
    out = tmp_path.parent / f"{tmp_path.name}-out"
    assert chainrun("render", demo, "-o", out, "--set", "deliver=[{file='mix.wav'}]", "--to", "1").code == 0
    assert chainrun("survey", demo).code == 0
    assert folder_state(tmp_path) == before
    assert [path.name for path in out.rglob("*.wav")] == ["mix.0-1s.wav"]


def test_names_with_control_characters_are_shown_escaped(session, chainrun):
    evil = "ki\x1b[2Jck\u202e.wav"
    Path("kick.wav").rename(evil)
    (Path("evil\x1b]0;x\x07.recipe.toml")).write_text(
        'grammar = 1\ntitle = "\\u001b[31mred"\n[stems.kick]\nfile = "ki\\u001b[2Jck\\u202e.wav"\nchain = [ { do = "gain", name = "n\\u0007" } ]\n'
    )
    song = Path("evil\x1b]0;x\x07.recipe.toml")
    for arguments in (
        ("check", song), ("render", song, "-o", "o\x1b[1m"), ("measure", evil), ("survey", "."), ("resolve", song, "--write", "r\x1b.recipe.toml"),
        ("verify", song), ("verify", song, "--format", "github"), ("compare", evil, "pair.wav"), ("render", "no\x1b[2J.recipe.toml"),
        ("check", song, "--set", "x\x1b[2J=1"), ("explain", "\x1b[2J"), ("render", song, "--only", "\x1b[2J"),
        ("draft", ".", "--write", "d\x1b.recipe.toml"), ("presets", "show", "\x1b[2J"), ("\x1b[2J",), ("render", song, "--\x1b[2J"),
        ("walkthrough", song, "-o", "w\x1b"), ("pack", song, "--write", "p\x1b.zip", "--no-licence"), ("check", "p\x1b.zip"),
    ):  # fmt: skip
        ran = chainrun(*arguments)
        told = ran.out + ran.err
        odd = [letter for letter in told if not (letter.isprintable() or letter == "\n")]
        assert not odd, (arguments, odd, told)
        assert ran.code != 70, (arguments, told)
