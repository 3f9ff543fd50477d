"""Profiles of presets, and which of them sound alike.

The generated catalogue and its truth are ours (tests/cull/catalogue.py): twins are the same sound with other numbers.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import soundfile

from chainrun.library.alike import apart, pairs
from chainrun.library.profile import HIT_DBFS, LEVELS_DBFS, POINTS_HZ, measure_profile
from tests.cull import catalogue
from tests.cull.shelves import RATE, preset, steps
from tests.signals import noise

# -- profiles --------------------------------------------------------------------------------------------------------


def test_a_profile_agrees_with_the_numbers(tmp_path):
    """Compressor -24 dBFS, 3:1, hard knee: 6 dB more in are 2 dB more out. Bell +6 dB at 1 kHz."""
    profile = measure_profile(
        steps(
            tmp_path,
            {"do": "compressor", "threshold_dbfs": -24, "ratio": 3, "knee_db": 0, "attack_ms": 20, "release_ms": 200},
        )
    )
    static = dict(zip(LEVELS_DBFS, profile.static_db, strict=True))
    assert static[-36.0] == pytest.approx(-36, abs=0.1)
    assert static[-6.0] - static[-12.0] == pytest.approx(2, abs=0.2)
    assert -19 < static[-6.0] < -15  # a peak or an RMS detector: 3 dB apart
    # Two thirds of the way in dB, of a smoother whose time is that of its own scale: near, not equal.
    assert profile.attack_ms == pytest.approx(20, rel=1.0)
    assert profile.release_ms == pytest.approx(200, rel=0.5)
    bell = measure_profile(steps(tmp_path, {"do": "eq", "bands": [{"kind": "bell", "freq_hz": 1000, "gain_db": 6}]}))
    response = dict(zip(POINTS_HZ, bell.response_db, strict=True))
    assert response[1000] == pytest.approx(6, abs=0.4)
    assert response[31.5] == pytest.approx(0, abs=0.2)
    assert (bell.attack_ms, bell.release_ms, bell.harmonics_pct < 0.01) == (None, None, True)


def test_harmonics_of_a_hard_clip(tmp_path):
    """A sine clipped at a quarter of its peak: THD from its Fourier series, computed here."""
    profile = measure_profile(steps(tmp_path, {"do": "saturate", "curve": "hard_clip", "drive_db": 30}))
    x = np.clip(10 ** ((30 - 18) / 20) * np.sin(2 * np.pi * (np.arange(4800) + 0.5) / 4800), -1, 1)
    lines = np.abs(np.fft.rfft(x))[1:20]
    assert profile.harmonics_pct == pytest.approx(100 * np.sqrt(np.sum(lines[1:] ** 2)) / lines[0], rel=0.02)


def test_profiles_of_presets_with_keys_rooms_and_stereo(tmp_path):
    for chain in (
        [{"do": "gate", "threshold_dbfs": -30, "key": {"from": ["kick"]}}],
        [{"do": "compressor", "threshold_below_hits_db": 10, "ratio": 3}],
        [{"do": "room", "decay_s": 0.3, "mix_pct": 30}, {"do": "width", "width_pct": 140}],
        [{"do": "width", "width_pct": 140}],
        [{"do": "echo", "time_beats": 0.5, "mix_pct": 30}],
        [{"do": "gain", "gain_db": -3, "bypass": True}],
    ):
        profile = measure_profile(steps(tmp_path, *chain))
        assert all(np.isfinite(profile.response_db)) and all(np.isfinite(profile.static_db))
    assert HIT_DBFS == -12


def test_twins_of_the_catalogue_are_found(tmp_path, monkeypatch):
    """Eight of the twelve twins and eight of the forty others; `python -m tests.bench.catalogue` takes all."""
    chosen = dict(list(catalogue.distinct().items())[:8])
    monkeypatch.setattr(catalogue, "distinct", lambda: chosen)
    monkeypatch.setattr(catalogue, "TWINS", dict(list(catalogue.TWINS.items())[:8]))
    told = dict(catalogue.found(tmp_path / "library"))
    assert told["twins found"] == "8 of 8"
    assert told["false pairs"] == "0 of 8"


def test_another_level_is_alike_and_near_numbers_may_not_be(tmp_path):
    a = measure_profile(steps(tmp_path, {"do": "eq", "bands": [{"kind": "bell", "freq_hz": 80, "gain_db": 6}]}))
    b = measure_profile(steps(tmp_path, {"do": "eq", "bands": [{"kind": "bell", "freq_hz": 160, "gain_db": 6}]}))
    c = measure_profile(
        steps(
            tmp_path,
            {"do": "eq", "bands": [{"kind": "bell", "freq_hz": 80, "gain_db": 6}]},
            {"do": "gain", "gain_db": -7},
        )
    )
    assert not apart("a", a, "b", b).alike
    near = apart("a", a, "c", c)
    assert near.alike and near.gain_db == pytest.approx(7, abs=0.05) and near.residual_lu < -100
    assert [pair.other for pair in pairs({"a": a, "b": b, "c": c}, "a")] == ["c", "b"]


def test_two_silences_have_no_residual_but_a_reason(tmp_path):
    sounding = measure_profile(steps(tmp_path, {"do": "gain", "gain_db": -3}))
    silent = replace(
        sounding, sketches={name: np.zeros_like(rows).tolist() for name, rows in sounding.sketches.items()}
    )
    pair = apart("a", silent, "b", silent)
    assert (pair.residual_lu, pair.gain_db, pair.alike, pair.replaceable) == (None, None, False, False)
    assert "silent" in pair.reason and pair.record()["reason"] == pair.reason
    one = apart("a", sounding, "b", silent)
    assert (one.residual_lu, one.gain_db, one.reason) == (0.0, None, None)  # all of A is left: 0 LU
    known = {"a": silent, "b": silent, "c": sounding, "d": sounding}
    assert (pairs(known)[0].one, pairs(known)[-1].residual_lu) == ("c", None)


# -- likeness of two presets -----------------------------------------------------------------------------------------


def test_presets_differ_by_width_beats_and_responses(tmp_path):
    def profile(*chain):
        return measure_profile(steps(tmp_path, *chain))

    wide, narrow = (profile({"do": "width", "width_pct": pct}) for pct in (150, 50))
    assert not apart("a", wide, "b", narrow).alike
    beats = profile({"do": "echo", "time_beats": 1.0, "mix_pct": 40})
    times = profile({"do": "echo", "time_ms": 500.0, "mix_pct": 40})  # a beat at 120 in a minute
    assert not apart("a", beats, "b", times).alike
    plain, stereo = profile({"do": "gain", "gain_db": -3}), profile({"do": "gain", "gain_db": -3}, {"do": "width"})
    assert apart("a", plain, "b", stereo).alike


def test_a_changed_response_is_measured_again(tmp_path, chainrun, monkeypatch):
    monkeypatch.chdir(tmp_path)
    preset(tmp_path / "presets", "box", [{"do": "convolve", "file": "box.wav"}])
    seen = []
    for seed in (1, 2):
        soundfile.write(tmp_path / "presets" / "box.wav", noise(2400, 0.2, seed=seed), RATE)
        seen.append(chainrun("presets", "show", "box", "--json").json["profile"]["response_db"])
    assert seen[0] != seen[1]
