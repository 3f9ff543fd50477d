"""A full disk ends with exit code 5 and no half file; sizes are known beforehand."""

from __future__ import annotations

import resource
import signal
from pathlib import Path

import pytest
import soundfile

from chainrun.errors import ResourceError
from tests import program
from tests.songs import KIT, long_session, made


def limited(size):
    def limit():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

    return limit


@pytest.mark.parametrize(("size", "workers"), [(200_000, 1), (200_000, 2), (6_000_000, 1)])
def test_a_full_disk_ends_with_5_and_nothing_half_written(session, store, size, workers):
    """A limit on file size acts as a full disk: first for the prints, then for the delivery as it is written."""
    path = long_session(session, 25)
    if size > 5_000_000:
        made(path, store, "first")
    process = program.start("render", path, "-o", "out", "--workers", workers, preexec_fn=limited(size))
    ran = program.ended(process)
    assert ran.code == 5, ran.err
    assert "could not be written" in ran.err
    assert "Traceback" not in ran.err
    assert list(Path("out").iterdir()) == []
    assert list(store.glob("parts/*")) == []


def test_too_little_room_is_reported_beforehand(session, store, monkeypatch):
    from chainrun.delivery import disk_space as room_on_disk

    monkeypatch.setattr(room_on_disk, "_free", lambda folder: 2_000_000)
    with pytest.raises(ResourceError) as found:
        made(session.write(KIT), store)
    text = found.value.problems[0].text()
    assert "MB to write" in text
    assert "2 MB free" in text
    assert list(store.glob("prints/*")) == []


def test_a_file_past_4_gib_becomes_rf64_beforehand(session, monkeypatch):
    """EBU Tech 3306: a RIFF file ends at 4 GiB. The predicted size decides the container, not the written one."""
    from chainrun.audiofile import write

    hour = 3600 * 48000
    assert write.container_of(Path("a.wav"), 2, hour, 24) == "WAV"
    assert write.container_of(Path("a.wav"), 2, 4 * hour, 24) == "WAV"
    assert write.container_of(Path("a.wav"), 2, 5 * hour, 24) == "RF64"
    assert write.container_of(Path("a.wav"), 2, 3 * 2 * hour, 32) == "RF64"
    monkeypatch.setattr(write, "_LIMIT_OF_WAV", 100_000)
    made(session.write(KIT), None)
    assert soundfile.info("out/mix.wav").format == "RF64"
    x, _ = soundfile.read("out/mix.wav")
    assert len(x) >= 24000
