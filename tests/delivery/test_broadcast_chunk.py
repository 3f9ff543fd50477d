"""The broadcast chunk and the tags are where the standards say."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.audiofile.bext import UNSET, Broadcast, insert_bext, loudness_word
from tests.signals import noise

RATE = 48000


def chunks_of(path):
    """A small reader of its own: chunk names and contents of RIFF and RF64."""
    data = Path(path).read_bytes()
    form, size, kind = struct.unpack_from("<4sI4s", data)
    assert kind == b"WAVE"
    found, at, ds64 = {}, 12, None
    while at + 8 <= len(data):
        name, length = struct.unpack_from("<4sI", data, at)
        if name == b"ds64":
            ds64 = struct.unpack_from("<QQ", data, at + 8)
        if name == b"data" and length == 0xFFFFFFFF:
            length = ds64[1]
        found[name] = data[at + 8 : at + 8 + length]
        at += 8 + length + length % 2
    assert (size if form == b"RIFF" else ds64[0]) == len(data) - 8
    return list(found), found


def test_the_broadcast_chunk_has_the_published_offsets(mix):
    # EBU Tech 3285 v2 (May 2011), 2.3: offsets inside the chunk.
    record, ran = mix(
        'bext = true\ntags = { title = "Reel", artist = "The band", date = "2026-11-25" }\ntarget_lufs = -20'
    )
    assert ran.code == 0
    names, found = chunks_of("out/mix.wav")
    assert names.index(b"bext") < names.index(b"data")
    bext = found[b"bext"]
    assert len(bext) == 602
    assert bext[:256].rstrip(b"\0") == b"Reel"
    assert bext[256:288].rstrip(b"\0") == b"The band"
    assert bext[320:330] == b"2026-11-25"
    assert struct.unpack_from("<H", bext, 346) == (2,)
    words = struct.unpack_from("<5h", bext, 412)
    measured = record["measured"]
    for word, key in zip(
        words,
        ("integrated_lufs", "range_lu", "true_peak_dbtp", "momentary_max_lufs", "short_term_max_lufs"),
        strict=True,
    ):
        assert word == pytest.approx(100 * measured[key], abs=0.51), key
    x, rate = soundfile.read("out/mix.wav")  # and another reader finds the audio after it
    assert (rate, x.shape) == (RATE, (measured["n_frames"], 2))
    assert soundfile.SoundFile("out/mix.wav").title == "Reel"


def test_loudness_words_round_away_from_zero():
    # Tech 3285 v2, 2.4: -22.645 is -2265 (F727h), -22.644 -2264, 12.765 1277 (04FDh); unset 7FFFh.
    assert [loudness_word(v) for v in (-22.645, -22.644, 12.765)] == [-2265, -2264, 1277]
    assert struct.pack("<h", -2265) == bytes.fromhex("27F7")
    assert loudness_word(None) == loudness_word(-np.inf) == UNSET


def test_the_chunk_in_rf64(tmp_path):
    x = noise(2000, 0.1)
    soundfile.write(tmp_path / "a.wav", x, RATE, format="RF64", subtype="PCM_24")
    before, _ = soundfile.read(tmp_path / "a.wav")
    insert_bext(tmp_path / "a.wav", Broadcast("d", "o", "r", "", -23.0, None, -1.0, None, None))
    names, found = chunks_of(tmp_path / "a.wav")
    assert names[0] == b"ds64"
    assert struct.unpack_from("<5h", found[b"bext"], 412) == (-2300, UNSET, -100, UNSET, UNSET)
    after, _ = soundfile.read(tmp_path / "a.wav")
    assert np.array_equal(before, after)


def test_a_tag_that_reads_like_a_chunk_stays(mix):
    """Float WAV has a PEAK chunk with a time in it. Only that chunk is cleared, and no such word in a title."""
    _, ran = mix('bits = 32\ntags = { title = "PEAK HOUR", artist = "PEAKS" }')
    assert ran.code == 0
    with soundfile.SoundFile("out/mix.wav") as file:
        assert (file.title, file.artist) == ("PEAK HOUR", "PEAKS")
    first = Path("out/mix.wav").read_bytes()
    mix('bits = 32\ntags = { title = "PEAK HOUR", artist = "PEAKS" }')
    assert Path("out/mix.wav").read_bytes() == first
