"""What strangers may send: recipes, files and packs that are refused in time, inside their root, within limits."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.errors import UsageError
from chainrun.limits import Limits
from tests import hostile
from tests.conftest import ROOT

MAX_S = 2.0
MAX_MB = 500
CHECK_ALL = """
import json, sys, time
began = time.process_time()
from chainrun.cli.app import main
started = time.process_time()
main(["check", "usual.recipe.toml"])
start = time.process_time() - began
found = {}
for name in sys.argv[1:]:
    before = time.process_time()
    code = main(["check", name])
    # Not ru_maxrss: that one also counts what the process was before it became this program.
    peak = int(next(line for line in open("/proc/self/status") if line.startswith("VmHWM")).split()[1]) / 1024
    found[name] = [code, time.process_time() - before + start, peak]
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
    """Processor time, start-up counted in, so that a busy machine does not matter; memory of one process for all."""
    folder = tmp_path / "session"
    folder.mkdir()
    soundfile.write(folder / "k.wav", np.sin(np.arange(4800) / 10) * 0.3, 48000)
    names = hostile.write(folder)
    (folder / "usual.recipe.toml").write_text(hostile.HEAD + hostile.STEM)
    before = folder_state(tmp_path)
    ran = subprocess.run(
        [sys.executable, "-c", CHECK_ALL, *names], cwd=folder, capture_output=True, text=True, timeout=300,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip
    assert ran.returncode == 0, ran.stderr[-2000:]
    found = json.loads(ran.stdout.splitlines()[-1])
    bad = {name: told for name, told in found.items() if told[0] not in (3, 4) or told[1] > MAX_S or told[2] > MAX_MB}
    assert not bad
    assert len(found) == len(hostile.recipes())
    assert folder_state(tmp_path) == before
    assert "Traceback" not in ran.stderr
    assert not [letter for letter in ran.stderr if not (letter.isprintable() or letter == "\n")]


@pytest.mark.parametrize(
    ("limit", "code"),
    [
        ("toml_kb=0.05", 3), ("nodes=3", 3), ("steps=1", 3), ("nesting=0", 3), ("file_gb=0.000001", 4), ("length_s=0.1", 4),
        ("channels=1", 4), ("rate_hz=44100", 4), ("oversampling=2", 3), ("tail_s=1", 3), ("memory_gb=0.0001", 3),
        ("work_h=0.00000001", 3), ("disk_gb=0.001", 3),
    ],
)  # fmt: skip
def test_every_limit_is_an_option_and_named_in_its_error(session, chainrun, limit, code, monkeypatch):
    song = session.write(
        'recipe = 1\n[stems.kick]\nfile = "kick.wav"\nto = "a"\n[stems.pair]\nfile = "pair.wav"\n'
        'chain = [ { do = "saturate" }, { do = "branches", branches = [ { chain = [ { do = "gain" } ] } ] } ]\n'
        "[buses.a]\n[buses.b]\n"
    )
    name = limit.partition("=")[0]
    assert chainrun("check", song).code == 0
    for command in ("check", "render", "resolve"):
        ran = chainrun(command, song, "--limit", limit)
        if command == "resolve" and name not in ("toml_kb", "nodes", "steps", "nesting"):
            continue  # it neither opens stems nor plans
        assert ran.code == code, (command, ran.err)
        assert f"over the limit {name}" in ran.err and f"--limit {name}=" in ran.err and "allowed at most" in ran.err
        # What the hint says lets it pass, if nothing else of that kind is larger still.
        words = ran.err.split(f"--limit {name}=")[-1].split()[0]
        assert float(words) > float(limit.partition("=")[2])
    assert not Path("out").exists()
    monkeypatch.setenv("CHAINRUN_LIMITS", f"{limit} nodes=99")
    assert chainrun("check", song).code == (0 if name == "nodes" else code)


def test_all_limits_are_tried_above():
    tried = {mark.args[1][i][0].partition("=")[0] for mark in test_every_limit_is_an_option_and_named_in_its_error.pytestmark for i in range(len(mark.args[1]))}  # fmt: skip
    assert tried == {one.name for one in fields(Limits)}


def test_limits_that_are_none(session, chainrun):
    song = session.write('recipe = 1\n[stems.kick]\nfile = "kick.wav"\n')
    for words, said in (
        (["nods=3"], "nodes"),
        (["nodes"], "NAME=VALUE"),
        (["nodes=x"], "no number"),
        (["nodes=-1"], "no number"),
    ):
        ran = chainrun("check", song, *(part for word in words for part in ("--limit", word)))
        assert ran.code == 2 and said in ran.err
    with pytest.raises(UsageError):
        Limits.of([], {"CHAINRUN_LIMITS": "nodes=many"})
    ran = chainrun("explain", "limits")
    assert ran.code == 0 and all(one.name in ran.out for one in fields(Limits))
    assert {row["name"] for row in chainrun("explain", "limits", "--json").json["limits"]} == {
        one.name for one in fields(Limits)
    }


def test_limits_hold_for_files_alone(session, chainrun):
    assert chainrun("measure", "pair.wav", "--limit", "channels=1").code == 4
    assert chainrun("compare", "pair.wav", "pair.wav", "--limit", "length_s=0.1").code == 4
    assert chainrun("survey", ".", "--limit", "length_s=0.1").code == 4
    assert chainrun("draft", ".", "--limit", "rate_hz=8000").code == 4
    Path("n.jobs.toml").write_text('jobs = 1\n[[job]]\nrecipes = ["song.recipe.toml"]\n')
    session.write('recipe = 1\n[stems.kick]\nfile = "kick.wav"\n')
    ran = chainrun("batch", "n.jobs.toml", "--limit", "length_s=0.1")
    assert ran.code == 1 and "over the limit length_s" in ran.err


# -- where deliveries land ---------------------------------------------------------------------------------------------


def test_deliveries_stay_in_the_output_folder(session, chainrun, tmp_path, store):
    text = 'recipe = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "sub/mix.wav"\nsidecar = true\n'
    song = session.write(text)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    Path("out").mkdir()
    Path("out/sub").symlink_to(elsewhere)
    ran = chainrun("render", song, "-o", "out")
    assert ran.code == 3 and "outside the output folder" in ran.err
    assert not list(elsewhere.iterdir())
    Path("out/sub").unlink()
    # A link at the file's own place is replaced, and what it points to stays.
    Path("out/sub").mkdir()
    (elsewhere / "mine.wav").write_text("precious")
    Path("out/sub/mix.wav").symlink_to(elsewhere / "mine.wav")
    assert chainrun("render", song, "-o", "out").code == 0
    assert (elsewhere / "mine.wav").read_text() == "precious" and not Path("out/sub/mix.wav").is_symlink()
    # One that points to an input is refused.
    Path("out/sub/mix.wav").unlink()
    Path("out/sub/mix.wav").symlink_to(tmp_path / "kick.wav")
    before = Path("kick.wav").read_bytes()
    ran = chainrun("render", song, "-o", "out")
    assert ran.code == 3 and "over an input" in ran.err and Path("kick.wav").read_bytes() == before


def test_deliveries_spare_the_store_pipes_and_folders(session, chainrun, store):
    song = session.write('recipe = 1\n[stems.kick]\nfile = "kick.wav"\n')
    ran = chainrun("render", song, "-o", store / "prints")
    assert ran.code == 3 and "into the store" in ran.err
    Path("out").mkdir()
    os.mkfifo("out/mix.wav")
    ran = chainrun("render", song, "-o", "out")
    assert ran.code == 3 and "no file" in ran.err
    os.unlink("out/mix.wav")
    Path("out/mix.wav").mkdir()
    assert chainrun("render", song, "-o", "out").code == 3


def test_allow_root_opens_one_folder_and_no_other(session, chainrun, tmp_path):
    inner = tmp_path / "inner"
    inner.mkdir()
    (inner / "song.recipe.toml").write_text('recipe = 1\n[stems.kick]\nfile = "../kick.wav"\n')
    song = inner / "song.recipe.toml"
    ran = chainrun("check", song)
    assert ran.code == 3 and "outside the recipe's root" in ran.err and "touch .chainrun-root" in ran.err
    assert chainrun("check", song, "--allow-root", tmp_path).code == 0
    assert chainrun("check", song, "--allow-root", tmp_path / "elsewhere").code == 3
    (tmp_path / ".chainrun-root").touch()
    assert chainrun("check", song).code == 0


@pytest.mark.parametrize(
    "command", ["check", "render", "resolve", "verify", "survey", "walkthrough", "pack", "compare"]
)
def test_pipes_in_place_of_recipes_do_not_hang(session, command):
    os.mkfifo("pipe.recipe.toml")
    os.mkfifo("song.baseline.toml")
    more = {"walkthrough": ["-o", "w"], "pack": ["-o", "p.zip", "--no-licence"], "compare": ["--variant", "x"]}.get(
        command, []
    )
    ran = subprocess.run(
        [sys.executable, "-m", "chainrun", command, "pipe.recipe.toml", *more],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert ran.returncode == 3 and "not a plain file" in ran.stderr


def test_a_pipe_in_place_of_a_baseline_or_a_plan(session, chainrun):
    song = session.write('recipe = 1\n[stems.kick]\nfile = "kick.wav"\n')
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
        'recipe = 1\ntitle = "\\u001b[31mred"\n[stems.kick]\nfile = "ki\\u001b[2Jck\\u202e.wav"\nchain = [ { do = "gain", name = "n\\u0007" } ]\n'
    )
    song = Path("evil\x1b]0;x\x07.recipe.toml")
    for arguments in (
        ("check", song), ("render", song, "-o", "o\x1b[1m"), ("measure", evil), ("survey", "."), ("resolve", song, "-o", "r\x1b.recipe.toml"),
        ("verify", song), ("verify", song, "--format", "github"), ("compare", evil, "pair.wav"), ("render", "no\x1b[2J.recipe.toml"),
        ("check", song, "--set", "x\x1b[2J=1"), ("explain", "\x1b[2J"), ("render", song, "--only", "\x1b[2J"),
        ("draft", ".", "-o", "d\x1b.recipe.toml"), ("presets", "show", "\x1b[2J"), ("\x1b[2J",), ("render", song, "--\x1b[2J"),
        ("walkthrough", song, "-o", "w\x1b"), ("pack", song, "-o", "p\x1b.zip", "--no-licence"), ("check", "p\x1b.zip"),
    ):  # fmt: skip
        ran = chainrun(*arguments)
        told = ran.out + ran.err
        odd = [letter for letter in told if not (letter.isprintable() or letter == "\n")]
        assert not odd, (arguments, odd, told)
        assert ran.code != 70, (arguments, told)
