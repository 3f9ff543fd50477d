"""Nothing is lost and nothing half is left, whatever fails: writing, reading, the place where the program stands."""

from __future__ import annotations

import builtins
import errno
import io
import json
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

from tests.faults.parts import SONG
from tests.signals import ROOT, drums

COMMANDS = {
    "render": ["render", "song.recipe.toml", "-o", "out", "--no-store", "--workers", "1"],
    "render with a store": ["render", "song.recipe.toml", "-o", "out", "--store", "kept", "--workers", "1"],
    "render with a log": ["render", "song.recipe.toml", "-o", "out", "--no-store", "--workers", "1", "--log", "out/log.jsonl"],
    "render with a page": ["render", "song.recipe.toml", "-o", "out", "--store", "kept", "--workers", "1", "--report", "page"],
    "verify": ["verify", "song.recipe.toml", "--accept", "--with-audio", "--no-store", "--workers", "1"],
    "compare": ["compare", "kick.wav", "pair.wav", "--report", "page.html"],
    "sweep": ["compare", "song.recipe.toml", "--sweep", "buses.kit.level_db=-1,-2", "-o", "out", "--no-store", "--workers", "1"],
    "survey": ["survey", ".", "--write", "out/mend.overlay.toml", "--workers", "1"],
    "draft": ["draft", "takes", "-o", "new/draft.recipe.toml"],
    "resolve": ["resolve", "song.recipe.toml", "-o", "out/flat.recipe.toml"],
    "pack": ["pack", "song.recipe.toml", "-o", "out/song.zip", "--licence", "LICENCE.txt", "--no-store"],
    "walkthrough": ["walkthrough", "song.recipe.toml", "-o", "lesson", "--stems", "kick", "--no-store"],
    "batch": ["batch", "night.jobs.toml", "--store", "kept", "--workers", "1"],
    "cull plan": ["cull", "plan", "--recipes", "*.recipe.toml", "--presets", "presets", "-o", "2026.cull.toml"],
    "cull try": ["cull", "try", "old.cull.toml", "-o", "heard", "--no-store", "--workers", "1"],
    "schema": ["schema", "--write", "--folder", "out"],
}  # fmt: skip
MAY_GO_WITHOUT = {"render with a store"}
"""Commands whose work does not depend on each write: a store that fails is told, and rendered without."""


def files_below(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


class Disk:
    """Counts what is opened to be written, made, synced and renamed; from one of them on (or that one alone) all fail."""

    def __init__(self, patch, at, *, code, goes_on):
        self.count, self.at, self.code, self.goes_on = 0, at, code, goes_on
        self.failed = False
        for module in (builtins, io):
            patch.setattr(module, "open", self._opening(open))
        patch.setattr(os, "open", self._os_opening(os.open))
        for name in ("replace", "mkdir", "fsync", "rename", "link", "symlink"):
            patch.setattr(os, name, self._call(getattr(os, name)))
        real = soundfile.SoundFile.write
        patch.setattr(soundfile.SoundFile, "write", lambda file, data: self._step("write") or real(file, data))

    def _step(self, path):
        self.count += 1
        if self.count == self.at or (self.goes_on and self.count > self.at):
            self.failed = True
            raise OSError(self.code, os.strerror(self.code), str(path))

    def _call(self, real):
        def call(path, *more, **named):
            self._step(path)
            return real(path, *more, **named)

        return call

    def _opening(self, real):
        def call(path, mode="r", *more, **named):
            if any(letter in mode for letter in "wax+") and not str(path).startswith("/dev"):
                self._step(path)
            return real(path, mode, *more, **named)

        return call

    def _os_opening(self, real):
        def call(path, flags, *more, **named):
            if flags & os.O_CREAT:
                self._step(path)
            return real(path, flags, *more, **named)

        return call


def try_all(place, chainrun, monkeypatch, name, moments):
    """The command fails at each of these moments (fractions of all that it writes): exit 5, inputs whole, nothing half."""
    inputs = files_below(place)
    outside = Path(tempfile.tempdir)

    def clean():
        for path in place.iterdir():
            if path.name not in {name.split("/")[0] for name in inputs}:
                shutil.rmtree(path) if path.is_dir() else path.unlink()
        for path in set(files_below(place)) - set(inputs):
            (place / path).unlink()

    arguments = COMMANDS[name]
    with monkeypatch.context() as patch:
        disk = Disk(patch, 0, code=errno.ENOSPC, goes_on=False)
        ran = chainrun(*arguments)
    assert ran.code in (0, 1), ran.err
    n_steps, whole = disk.count, files_below(place)
    assert n_steps >= 1, "the command writes"
    clean()
    steps = range(1, n_steps + 1) if moments is None else sorted({1 + round(m * (n_steps - 1)) for m in moments})
    for step in steps:
        code, goes_on = ((errno.ENOSPC, True), (errno.EACCES, False), (errno.EIO, False))[step % 3]
        with monkeypatch.context() as patch:
            disk = Disk(patch, step, code=code, goes_on=goes_on)
            ran = chainrun(*arguments)
        where = f"{name}, write {step} of {n_steps}, {errno.errorcode[code]}"
        left = files_below(place)
        assert {path: left.get(path) for path in inputs} == inputs, where
        # A file that is there is whole: it has the length that it has when nothing fails.
        half = [
            path
            for path, data in left.items()
            if path not in inputs
            and path in whole
            and path.endswith((".wav", ".flac", ".mp3", ".zip"))
            and len(data) != len(whole[path])
        ]
        assert not half, where
        begun = [path for path in left if path.endswith(".part") or ".chainrun-work-" in path or "/parts/" in path]
        assert not begun, where
        # The folders of a page's sounds and of matplotlib's cache go with the process, and this one lives on.
        living = ("chainrun-page-", "chainrun-mpl-")
        assert not [path for path in outside.iterdir() if not path.name.startswith(living)], where
        if disk.failed:
            usual = {5} | ({0, 1} if name in MAY_GO_WITHOUT or not goes_on else set())
            assert ran.code in usual, f"{where}: exit {ran.code}\n{ran.err}"
            assert "Traceback" not in ran.err
            if ran.code == 5:
                assert any(
                    word in ran.err
                    for word in ("written", "write", "space", "permission", "made", "cannot", "could not")
                ), f"{where}\n{ran.err}"
        clean()


@pytest.mark.parametrize("name", COMMANDS)
def test_writes_that_fail(place, chainrun, monkeypatch, name):
    try_all(place, chainrun, monkeypatch, name, (0.1, 0.9))


@pytest.mark.soak
@pytest.mark.parametrize("name", COMMANDS)
def test_every_write_that_can_fail(place, chainrun, monkeypatch, name):
    try_all(place, chainrun, monkeypatch, name, None)


# -- what a killed run leaves ---------------------------------------------------------------------------------------------


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


# -- where the program stands ---------------------------------------------------------------------------------------------


def program(*arguments, **more):
    return subprocess.run(
        [sys.executable, "-m", "chainrun", *map(str, arguments)], capture_output=True, text=True, **more
    )


def test_a_deleted_working_folder(place, tmp_path):
    """Whole paths work; what needs the folder is told."""
    recipe, out = place / "song.recipe.toml", tmp_path / "out"
    script = f"mkdir {tmp_path}/gone && cd {tmp_path}/gone && rmdir {tmp_path}/gone && {sys.executable} -m chainrun "
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    ran = subprocess.run(
        ["bash", "-c", f"{script} render {recipe} -o {out} --quiet"], capture_output=True, text=True, env=environment
    )
    assert (ran.returncode, (out / "mix.wav").exists()) == (0, True), ran.stderr
    ran = subprocess.run(
        ["bash", "-c", f"{script} render song.recipe.toml"], capture_output=True, text=True, env=environment
    )
    assert ran.returncode in (3, 5), ran.stderr
    assert "Traceback" not in ran.stderr
    ran = subprocess.run(["bash", "-c", f"{script} check {recipe}"], capture_output=True, text=True, env=environment)
    assert ran.returncode == 0, ran.stderr


@pytest.mark.parametrize("home", ["none", "a file", "nowhere"])
def test_a_home_that_cannot_be_written_to(place, tmp_path, home):
    """As root nothing is read-only; a file in the home's place refuses all the same."""
    (tmp_path / "file").write_text("")
    environment = {key: value for key, value in os.environ.items() if not key.startswith(("CHAINRUN", "HOME", "XDG"))}
    environment |= {"a file": {"HOME": str(tmp_path / "file")}, "nowhere": {"HOME": "/proc/nowhere"}}.get(home, {})
    ran = program(
        "render",
        "song.recipe.toml",
        "-o",
        "out",
        env={**environment, "LANG": "C", "TERM": "dumb"},
        stdin=subprocess.DEVNULL,
    )
    assert ran.returncode == 0, ran.stderr
    assert Path("out/mix.wav").exists()
    assert "Traceback" not in ran.stderr


def test_a_defect_is_told_in_one_line_and_keeps_what_is_private(place, chainrun, monkeypatch):
    """Exit 70; the file has the way through our own source, no value, path, or word of the user's."""

    def defect(*arguments, **named):
        raise RuntimeError(f"secret of {place}")

    monkeypatch.delenv("CHAINRUN_TRACEBACK", raising=False)
    from chainrun.cli import app

    monkeypatch.setattr(app, "_commands", lambda: defect)
    ran = chainrun("explain", "mysecretword", "--limit=nodes=7")
    assert ran.code == 70
    (line,) = ran.err.splitlines()
    assert "Traceback" not in line
    told = Path(line.rpartition(": ")[2]).read_text()
    for private in ("secret", str(place), os.path.expanduser("~") + "/", "nodes=7"):
        assert private not in told, private
    assert "RuntimeError" in told
    assert "command: explain … --limit" in told
    monkeypatch.setenv("CHAINRUN_TRACEBACK", "1")
    with pytest.raises(RuntimeError):
        chainrun("explain")


# -- two at once ----------------------------------------------------------------------------------------------------------


def test_two_runs_into_one_folder_neither_wait_nor_mix(place, tmp_path):
    """Two recipes' renders into one folder and store at once: each file is the one or the other, whole."""
    loud = SONG.replace("target_lufs = -30", "target_lufs = -27")
    Path("loud.recipe.toml").write_text(loud)
    alone = {}
    for name in ("song", "loud"):
        assert (
            program("render", f"{name}.recipe.toml", "-o", f"alone-{name}", "--quiet", "--store", "kept").returncode
            == 0
        )
        alone[name] = {
            path.name: path.read_bytes() for path in Path(f"alone-{name}").iterdir() if path.suffix != ".json"
        }
    for _ in range(3):
        runs = [
            subprocess.Popen(
                [
                    sys.executable,
                    "-m",
                    "chainrun",
                    "render",
                    f"{name}.recipe.toml",
                    "-o",
                    "both",
                    "--quiet",
                    "--store",
                    "kept",
                ]
            )
            for name in ("song", "loud")
        ]
        assert [run.wait(timeout=60) for run in runs] == [0, 0]
        for path in Path("both").iterdir():
            if path.suffix == ".json":
                json.loads(path.read_text())
            else:
                assert path.read_bytes() in (alone["song"][path.name], alone["loud"][path.name])
