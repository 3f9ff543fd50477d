"""Nothing is lost and nothing half is left, whatever fails: writing, reading, the place where the program stands."""

from __future__ import annotations

import builtins
import errno
import io
import json
import os
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.signals import ROOT, drums, noise

SONG = """recipe = 1
presets_dirs = ["presets"]
[stems.kick]
file = "kick.wav"
hit_level_dbfs = -6
to = "kit"
chain = [ { preset = "kick/close" }, { do = "gate", threshold_db = -40 } ]
[stems.pair]
file = "pair.wav"
[buses.kit]
chain = [ { do = "compressor", threshold_db = -30 } ]
[[deliver]]
file = "mix.wav"
sidecar = true
bext = true
target_lufs = -30
[[deliver]]
file = "mix.flac"
[[deliver]]
file = "mix.mp3"
"""
PRESET = 'preset = 1\nsince = 2023\nchain = [ { do = "gain", gain_db = 1 } ]\n'
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


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A session, and a folder for temporary files of its own."""
    folder = tmp_path / "session"
    (folder / "presets" / "kick").mkdir(parents=True)
    (folder / "presets" / "kick" / "close.preset.toml").write_text(PRESET)
    (folder / "presets" / "kick" / "old.preset.toml").write_text(PRESET)
    n = 28800
    soundfile.write(folder / "kick.wav", drums(n, seed=1) * 0.5, 48000, subtype="PCM_24")
    soundfile.write(folder / "pair.wav", np.stack([noise(n, seed=2), noise(n, seed=3)]).T * 0.3, 48000, subtype="FLOAT")
    (folder / "takes").mkdir()
    for name in ("kick.wav", "pair.wav"):
        shutil.copy(folder / name, folder / "takes")
    (folder / "song.recipe.toml").write_text(SONG)
    (folder / "LICENCE.txt").write_text("as you like\n")
    (folder / "night.jobs.toml").write_text('jobs = 1\nout = "night"\n[[job]]\nrecipes = ["song.recipe.toml"]\n')
    (folder / "old.cull.toml").write_text(
        'cull = 1\nyear = 2026\npresets_dirs = ["presets"]\nrecipes = ["*.recipe.toml"]\n'
        '[[preset]]\nname = "kick/close"\ndecision = "replace"\nby = "kick/old"\n'
    )
    (tmp_path / "temporary").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "temporary"))
    monkeypatch.chdir(folder)
    return folder


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
        # The folder of a page's sounds goes with the process, and this one lives on.
        assert not [path for path in outside.iterdir() if not path.name.startswith("chainrun-page-")], where
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
    try_all(place, chainrun, monkeypatch, name, (0, 0.6, 1))


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


# -- what is read ---------------------------------------------------------------------------------------------------------

RAMP = np.ascontiguousarray(np.stack([np.linspace(-0.9, 0.9, 4800), np.sin(np.arange(4800) / 30) * 0.25]).T)
"""Left and right that cannot be taken for each other."""


def riff(chunks):
    body = b"WAVE" + b"".join(
        name + struct.pack("<I", len(data)) + data + b"\0" * (len(data) & 1) for name, data in chunks
    )
    return b"RIFF" + struct.pack("<I", len(body)) + body


def frames_of(x, bits):
    """Little-endian PCM; 8 bits are unsigned (Multimedia Programming Interface, Microsoft and IBM, 1991)."""
    if bits == 8:
        return (np.rint(x * 127) + 128).astype(np.uint8).tobytes()
    if bits == 24:
        whole = np.ascontiguousarray(np.rint(x * (2**23 - 1)).astype("<i4"))
        return whole.view(np.uint8).reshape(-1, 4)[:, :3].tobytes()
    return np.rint(x * (2 ** (bits - 1) - 1)).astype(f"<i{bits // 8}").tobytes()


def plain(tag, bits, n_channels=2, rate=48000):
    return struct.pack("<HHIIHH", tag, n_channels, rate, rate * n_channels * bits // 8, n_channels * bits // 8, bits)


def extensible(bits, valid, mask, subtype=1):
    guid = struct.pack("<H", subtype) + bytes.fromhex("000000001000800000aa00389b71")
    return plain(0xFFFE, bits) + struct.pack("<HHI", 22, valid, mask) + guid


ODD = {
    "8 bits": (riff([(b"fmt ", plain(1, 8)), (b"data", frames_of(RAMP, 8))]), 0.012),
    "16 bits": (riff([(b"fmt ", plain(1, 16)), (b"data", frames_of(RAMP, 16))]), 1e-4),
    "24 bits": (riff([(b"fmt ", plain(1, 24)), (b"data", frames_of(RAMP, 24))]), 1e-6),
    "32 bits": (riff([(b"fmt ", plain(1, 32)), (b"data", frames_of(RAMP, 32))]), 3.1e-8),
    "float32": (riff([(b"fmt ", plain(3, 32)), (b"data", RAMP.astype("<f4").tobytes())]), 1e-7),
    "float64": (riff([(b"fmt ", plain(3, 64)), (b"data", RAMP.astype("<f8").tobytes())]), 3.1e-8),
    "extensible, 24 bits": (riff([(b"fmt ", extensible(24, 24, 3)), (b"data", frames_of(RAMP, 24))]), 1e-6),
    "extensible, float32": (riff([(b"fmt ", extensible(32, 32, 3, 3)), (b"data", RAMP.astype("<f4").tobytes())]), 1e-7),
    "extensible, no mask": (riff([(b"fmt ", extensible(16, 16, 0)), (b"data", frames_of(RAMP, 16))]), 1e-4),
    "extensible, 20 of 24 bits": (riff([(b"fmt ", extensible(24, 20, 3)), (b"data", frames_of(RAMP, 24))]), 1e-5),
    "chunks before and behind": (
        riff([(b"JUNK", bytes(29)), (b"LIST", b"INFOISFT\x05\0\0\0made\0\0"), (b"fmt ", plain(1, 16)), (b"fact", bytes(4)),
              (b"data", frames_of(RAMP, 16)), (b"cue ", bytes(4)), (b"bext", bytes(602))]), 1e-4,
    ),
    "an unknown chunk of odd size": (riff([(b"fmt ", plain(1, 24)), (b"odd!", b"x" * 7), (b"data", frames_of(RAMP, 24))]), 1e-6),
    "format behind the data": (riff([(b"data", frames_of(RAMP, 16)), (b"fmt ", plain(1, 16))]), 1e-4),
    "two data chunks": (riff([(b"fmt ", plain(1, 16)), (b"data", frames_of(RAMP, 16)), (b"data", frames_of(-RAMP, 16))]), 1e-4),
    "written to a pipe": (
        riff([(b"fmt ", plain(1, 16)), (b"data", frames_of(RAMP, 16))]).replace(
            b"data" + struct.pack("<I", RAMP.size * 2), b"data" + b"\xff" * 4), 1e-4,
    ),
    "big-endian RIFX": (
        b"RIFX" + struct.pack(">I", 36 + RAMP.size * 2) + b"WAVEfmt " + struct.pack(">IHHIIHH", 16, 1, 2, 48000, 192000, 4, 16)
        + b"data" + struct.pack(">I", RAMP.size * 2) + np.rint(RAMP * 32767).astype(">i2").tobytes(), 1e-4,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", ODD)
def test_an_odd_file_is_right_or_refused_by_name(place, chainrun, name):
    """At the right level on the right side, or exit 4 with the file's name; never misread."""
    data, within = ODD[name]
    Path("odd.wav").write_bytes(data)
    Path("odd.recipe.toml").write_text(
        'recipe = 1\n[stems.odd]\nfile = "odd.wav"\n[[deliver]]\nfile = "odd-out.wav"\nbits = 32\n'
    )
    ran = chainrun("render", "odd.recipe.toml", "-o", "out", "--no-store", "--quiet")
    if ran.code == 4:
        assert "odd.wav" in ran.err
        assert name in ("format behind the data", "two data chunks", "written to a pipe"), "these may be refused"
        return
    assert ran.code == 0, ran.err
    heard = soundfile.read("out/odd-out.wav")[0]
    assert np.abs(heard[: len(RAMP)] - RAMP).max() <= within
    assert chainrun("measure", "odd.wav").code == 0


@pytest.mark.parametrize(
    "rate",
    [8000, 11025, 22050, 32000, 37800, 44056, 47952, 48048, 88200, 96000, 176400, 192000, 384000, 7999, 1, 400000],
)
def test_odd_rates_are_right_or_refused_by_name(place, chainrun, rate):
    """A tone of 997 Hz keeps its level and pitch into a session of 48 kHz."""
    t = np.arange(rate) / rate if rate > 1000 else np.arange(4000) / 4000
    soundfile.write("odd.wav", 0.5 * np.sin(2 * np.pi * 997 * t), rate, subtype="FLOAT")
    Path("odd.recipe.toml").write_text(
        'recipe = 1\nrate_hz = 48000\n[stems.odd]\nfile = "odd.wav"\n[[deliver]]\nfile = "o.wav"\nbits = 32\n'
    )
    ran = chainrun("render", "odd.recipe.toml", "-o", "out", "--no-store", "--quiet")
    if not 8000 <= rate <= 384000:
        assert (ran.code, "stems.odd.file" in ran.err, "8000 to 384000" in ran.err) == (4, True, True)
        return
    assert ran.code == 0, ran.err
    heard = soundfile.read("out/o.wav")[0][12000:36000, 0]
    expected = 0.5 * 10 ** (-3.0103 / 20) * np.sin(2 * np.pi * 997 * np.arange(12000, 36000) / 48000)
    spectrum = np.fft.rfft(heard * np.hanning(heard.size))
    wanted = np.fft.rfft(expected * np.hanning(heard.size))
    at = np.abs(wanted).argmax()
    assert np.abs(spectrum).argmax() == at
    assert 20 * np.log10(abs(spectrum[at] / wanted[at])) == pytest.approx(0, abs=0.05)
    assert np.angle(spectrum[at] / wanted[at]) == pytest.approx(0, abs=0.02), "in time"


CONTAINERS = [
    ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "DOUBLE"), ("WAVEX", "PCM_24"), ("RF64", "PCM_16"), ("W64", "PCM_24"), ("AIFF", "PCM_16"),
    ("AIFF", "FLOAT"), ("CAF", "PCM_24"), ("FLAC", "PCM_24"), ("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III"), ("AU", "FLOAT"),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "encoding"), CONTAINERS)
def test_what_was_cut_off_is_refused(place, chainrun, kind, encoding):
    """At any place; whole, it is read. The decoder alone would read what is left of most of these without a word."""
    x = np.random.default_rng(1).standard_normal((24000, 2)) * 0.1
    soundfile.write("whole.x", x, 48000, format=kind, subtype=encoding)
    assert chainrun("measure", "whole.x").code == 0
    data = Path("whole.x").read_bytes()
    for share in (0.0005, 0.02, 0.4, 0.7, 0.97):
        Path("cut.x").write_bytes(data[: int(len(data) * share)])
        began = time.process_time()
        ran = chainrun("measure", "cut.x")
        assert (ran.code, "cut.x" in ran.err) == (4, True), f"{share}: {ran.out}"
        assert time.process_time() - began < 5


def test_containers_that_are_not_read_are_named(place, chainrun):
    for kind, encoding in (("PAF", "PCM_24"), ("VOC", "PCM_16"), ("MAT5", "PCM_16"), ("NIST", "PCM_16")):
        soundfile.write("odd.x", RAMP, 48000, format=kind, subtype=encoding)
        ran = chainrun("measure", "odd.x")
        assert (ran.code, f"given {kind}" in ran.err, "FLAC" in ran.err) == (4, True, True)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("command", ["measure", "render", "survey", "compare"])
def test_what_is_no_number_is_refused_where_it_stands(place, chainrun, value, command):
    x = drums(9600, seed=1) * 0.5
    x[4321] = value
    soundfile.write("kick.wav", x, 48000, subtype="FLOAT")
    arguments = {
        "measure": ["kick.wav"],
        "render": ["song.recipe.toml", "-o", "out", "--no-store"],
        "survey": ["."],
        "compare": ["kick.wav", "pair.wav"],
    }
    ran = chainrun(command, *arguments[command])
    assert (ran.code, "frame 4321" in ran.err, "kick.wav" in ran.err) == (4, True, True), ran.err
    assert not list(Path().glob("out/*.wav"))


LIES = {
    "frames beyond any disk": (12, b"\xff\xff\xff\x7f"),
    "65535 channels": (22, b"\xff\xff"),
    "no channels": (22, b"\0\0"),
    "a rate of 0": (24, b"\0\0\0\0"),
    "a rate of 4 GHz": (24, b"\xff\xff\xff\xff"),
    "a block of 0 bytes": (32, b"\0\0"),
    "0 bits": (34, b"\0\0"),
    "255 bits": (34, b"\xff\0"),
    "an unknown encoding": (20, b"\x34\x12"),
    "a format chunk of 4 GB": (16, b"\xff\xff\xff\xff"),
    "a data chunk of 2 GB": (40, b"\xff\xff\xff\x7f"),
}


@pytest.mark.parametrize("name", LIES)
def test_headers_that_lie_are_refused_in_time(place, chainrun, name):
    """In 5 s of processor time; tests/fuzz has thousands more, with a bound on memory."""
    at, lie = LIES[name]
    data = bytearray(riff([(b"fmt ", plain(1, 16)), (b"data", frames_of(RAMP, 16))]))
    data[at : at + len(lie)] = lie
    Path("kick.wav").write_bytes(bytes(data))
    for arguments in (["measure", "kick.wav"], ["check", "song.recipe.toml"], ["survey", "."]):
        began = time.process_time()
        ran = chainrun(*arguments)
        assert time.process_time() - began < 5
        if name == "a block of 0 bytes" and ran.code == 0:
            continue  # it follows from the others, and is not used
        assert (ran.code, "kick" in ran.err + ran.out) == (4, True), (arguments, ran.out, ran.err)


def test_a_flac_that_claims_more_than_it_has(place, chainrun):
    """STREAMINFO's 36 bits of total samples (RFC 9639, section 8.2)."""
    soundfile.write("kick.flac", RAMP, 48000, subtype="PCM_16")
    data = bytearray(Path("kick.flac").read_bytes())
    data[21] |= 0x0F
    data[22:26] = b"\xff\xff\xff\xff"
    Path("kick.flac").write_bytes(bytes(data))
    began = time.process_time()
    ran = chainrun("measure", "kick.flac")
    assert (ran.code, "kick.flac" in ran.err) == (4, True)
    assert time.process_time() - began < 5


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
