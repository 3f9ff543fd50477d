"""Time: impulses, shifts, conversions and tails come out when they should."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from tests.songs import impulse_file, render_main

UNITY = """[
  { do = "gain" }, { do = "delay", time_samples = 0 }, { do = "eq", bands = [ { kind = "bell", freq_hz = 1000, gain_db = 0 } ] },
  { do = "gate", threshold_dbfs = -40, range_db = 0, lookahead_ms = 3.3 }, { do = "compressor", threshold_dbfs = 0, ratio = 1, lookahead_ms = 2.1 },
  { do = "limiter", ceiling_dbfs = 0 },
  { do = "branches", branches = [ { chain = [ { do = "limiter", ceiling_dbfs = 0, lookahead_ms = 5 } ], level_db = -6.0206 }, { level_db = -6.0206 } ] },
  { do = "compressor", threshold_dbfs = 0, ratio = 1, lookahead_ms = 7, mix_pct = 40 },
]"""


def test_an_impulse_comes_out_at_its_own_time_through_every_step(session):
    impulse_file(session.folder)
    path = session.write(
        f"""grammar = 1
[stems.a]
file = "impulse.wav"
to = "bus"
chain = {UNITY}
[buses.bus]
chain = {UNITY}
[main]
chain = {UNITY}
[[deliver]]
file = "mix.wav"
bits = 32
"""
    )
    x, _, _ = render_main(path)
    assert int(np.abs(x[0]).argmax()) == 5000
    assert x[:, 5000] == pytest.approx([0.5 * np.sqrt(0.5)] * 2, abs=1e-6)  # the centre of the -3 dB pan law
    x[:, 5000] = 0
    assert np.abs(x).max() < 1e-6


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("shift_samples = 7", 5007),
        ("shift_samples = -1200", 3800),
        ("shift_ms = 2.5", 5120),
        ("at_s = 0.5", 29000),
        ("from_s = 0.1", 200),
        ("from_s = 0.1\nat_s = 0.1", 5000),
    ],
)
def test_the_place_of_a_stem_in_time(session, line, expected):
    impulse_file(session.folder)
    path = session.write(
        f'grammar = 1\n[stems.a]\nfile = "impulse.wav"\n{line}\n[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    x, _, _ = render_main(path)
    assert int(np.abs(x[0]).argmax()) == expected


def test_a_fractional_shift_is_a_fractional_delay(session):
    t = np.arange(24000)
    soundfile.write(session.folder / "sine.wav", 0.5 * np.sin(2 * np.pi * 997 * t / 48000), 48000, subtype="FLOAT")
    path = session.write(
        'grammar = 1\n[stems.a]\nfile = "sine.wav"\nshift_samples = 3.25\n[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    x, _, _ = render_main(path)
    expected = 0.5 * np.sqrt(0.5) * np.sin(2 * np.pi * 997 * (t - 3.25) / 48000)
    assert np.abs(x[0, 200:23000] - expected[200:23000]).max() < 1e-5


def test_trim_invert_pairs_and_channels(session):
    x = np.stack([np.full(4800, 0.1), np.full(4800, 0.2)]).T
    soundfile.write(session.folder / "two.wav", x, 48000, subtype="FLOAT")
    soundfile.write(session.folder / "one.wav", x[:, 0], 48000, subtype="FLOAT")
    path = session.write(
        """grammar = 1
[stems.pair]
file = ["one.wav", "one.wav"]
trim_db = [0.0, 20.0]
invert = [false, true]
[stems.side]
file = "two.wav"
channel = 2
pan_pct = 100
[[deliver]]
file = "mix.wav"
bits = 32
"""
    )
    y, _, _ = render_main(path)
    assert y[:, 100] == pytest.approx([0.1, -1.0 + 0.2], abs=1e-6)


def test_conversion_keeps_time_and_is_reported(session):
    x = np.zeros(44100)
    x[22050] = 0.9
    soundfile.write(session.folder / "slow.wav", x, 44100, subtype="FLOAT")
    path = session.write(
        'grammar = 1\nrate_hz = 48000\n[stems.a]\nfile = "slow.wav"\n[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    y, rate, result = render_main(path)
    assert (rate, y.shape[1], int(np.abs(y[0]).argmax())) == (48000, 48000, 24000)
    assert result.warnings == ["a: converted from 44100 to 48000 Hz"]


def test_a_tail_runs_out(session):
    impulse_file(session.folder, at=19999)
    path = session.write(
        """grammar = 1
[stems.a]
file = "impulse.wav"
chain = [ { do = "delay", time_ms = 100 } ]
[[deliver]]
file = "mix.wav"
bits = 32
"""
    )
    x, _, _ = render_main(path)
    assert int(np.abs(x[0]).argmax()) == 19999 + 4800
    short = path.read_text().replace("grammar = 1", "grammar = 1\ntail_max_s = 0.05")
    x, _, _ = render_main(session.write(short))
    assert x.shape[1] == 20000  # the rest of the tail is silent
