"""Odd, cut and lying audio files are read right or refused by name."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.signals import drums
from tests.work import Work

MAX_CALLS = 2_000_000
"""Maximum work of a refusal: about a second, or the import of the modules that it needs."""
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
        'grammar = 1\n[stems.odd]\nfile = "odd.wav"\n[[deliver]]\nfile = "odd-out.wav"\nbits = 32\n'
    )
    ran = chainrun("render", "odd.recipe.toml", "-o", "out", "--no-store", "--quiet")
    if ran.code == 4:
        assert "odd.wav" in ran.err
        assert name in ("format behind the data", "two data chunks", "written to a pipe"), "these may be refused"
        return
    assert ran.code == 0, ran.err
    written = soundfile.read("out/odd-out.wav")[0]
    assert np.abs(written[: len(RAMP)] - RAMP).max() <= within
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
        'grammar = 1\nrate_hz = 48000\n[stems.odd]\nfile = "odd.wav"\n[[deliver]]\nfile = "o.wav"\nbits = 32\n'
    )
    ran = chainrun("render", "odd.recipe.toml", "-o", "out", "--no-store", "--quiet")
    if not 8000 <= rate <= 384000:
        assert (ran.code, "stems.odd.file" in ran.err, "8000 to 384000" in ran.err) == (4, True, True)
        return
    assert ran.code == 0, ran.err
    written = soundfile.read("out/o.wav")[0][12000:36000, 0]
    expected = 0.5 * 10 ** (-3.0103 / 20) * np.sin(2 * np.pi * 997 * np.arange(12000, 36000) / 48000)
    spectrum = np.fft.rfft(written * np.hanning(written.size))
    wanted = np.fft.rfft(expected * np.hanning(written.size))
    at = np.abs(wanted).argmax()
    assert np.abs(spectrum).argmax() == at
    assert 20 * np.log10(abs(spectrum[at] / wanted[at])) == pytest.approx(0, abs=0.05)
    assert np.angle(spectrum[at] / wanted[at]) == pytest.approx(0, abs=0.02), "in time"


CONTAINERS = [
    ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAV", "DOUBLE"), ("WAVEX", "PCM_24"), ("RF64", "PCM_16"), ("W64", "PCM_24"), ("AIFF", "PCM_16"),
    ("AIFF", "FLOAT"), ("CAF", "PCM_24"), ("FLAC", "PCM_24"), ("OGG", "VORBIS"), ("OGG", "OPUS"), ("MP3", "MPEG_LAYER_III"), ("AU", "FLOAT"),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "encoding"), CONTAINERS)
def test_files_that_are_cut_off_are_refused(place, chainrun, kind, encoding):
    """Cut at any place; the whole file is read. The decoder alone would silently read the rest of most of these."""
    x = np.random.default_rng(1).standard_normal((24000, 2)) * 0.1
    soundfile.write("whole.x", x, 48000, format=kind, subtype=encoding)
    assert chainrun("measure", "whole.x").code == 0
    data = Path("whole.x").read_bytes()
    for share in (0.0005, 0.02, 0.4, 0.7, 0.97):
        Path("cut.x").write_bytes(data[: int(len(data) * share)])
        with Work() as work:
            ran = chainrun("measure", "cut.x")
        assert (ran.code, "cut.x" in ran.err) == (4, True), f"{share}: {ran.out}"
        assert work.calls < MAX_CALLS


def test_containers_that_are_not_read_are_named(place, chainrun):
    for kind, encoding in (("PAF", "PCM_24"), ("VOC", "PCM_16"), ("MAT5", "PCM_16"), ("NIST", "PCM_16")):
        soundfile.write("odd.x", RAMP, 48000, format=kind, subtype=encoding)
        ran = chainrun("measure", "odd.x")
        assert (ran.code, f"given {kind}" in ran.err, "FLAC" in ran.err) == (4, True, True)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("command", ["measure", "render", "survey", "compare"])
def test_nan_and_infinity_are_refused_with_their_frame(place, chainrun, value, command):
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
    """With the work of a plain refusal; tests/fuzz has thousands more, with a bound on memory."""
    at, lie = LIES[name]
    data = bytearray(riff([(b"fmt ", plain(1, 16)), (b"data", frames_of(RAMP, 16))]))
    data[at : at + len(lie)] = lie
    Path("kick.wav").write_bytes(bytes(data))
    for arguments in (["measure", "kick.wav"], ["check", "song.recipe.toml"], ["survey", "."]):
        with Work() as work:
            ran = chainrun(*arguments)
        assert work.calls < MAX_CALLS
        if name == "a block of 0 bytes" and ran.code == 0:
            continue  # It follows from the others, and is not used.
        assert (ran.code, "kick" in ran.err + ran.out) == (4, True), (arguments, ran.out, ran.err)


def test_a_flac_that_claims_more_than_it_has(place, chainrun):
    """STREAMINFO's 36 bits of total samples (RFC 9639, section 8.2)."""
    soundfile.write("kick.flac", RAMP, 48000, subtype="PCM_16")
    data = bytearray(Path("kick.flac").read_bytes())
    data[21] |= 0x0F
    data[22:26] = b"\xff\xff\xff\xff"
    Path("kick.flac").write_bytes(bytes(data))
    with Work() as work:
        ran = chainrun("measure", "kick.flac")
    assert (ran.code, "kick.flac" in ran.err) == (4, True)
    assert work.calls < MAX_CALLS
