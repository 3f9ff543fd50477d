"""Whichever write fails, inputs stay whole, no half file is left, and the exit code is 5."""

from __future__ import annotations

import builtins
import errno
import io
import os
import shutil
import tempfile
from pathlib import Path

import pytest
import soundfile

from tests.whole.commands import COMMANDS, files_below

MAY_GO_WITHOUT = {"render with a store"}
"""Commands whose work does not depend on each write: a store that fails is reported, and not used."""


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
    """The command fails at each of these fractions of its writes: exit code 5, inputs whole, no half file."""
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
