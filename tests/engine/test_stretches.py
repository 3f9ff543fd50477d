"""Stretches of a session: exact from prints, near without them, in the time of the whole."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.errors import UsageError
from tests.signals import drums
from tests.songs import KIT, made


def test_a_stretch_of_cached_prints_is_exact(session, store):
    soundfile.write("kick.wav", drums(48000 * 8) * 0.5, 48000, subtype="FLOAT")
    text = KIT.replace('file = "mix.wav"', 'file = "mix.wav"\nbits = 32')
    path = session.write(text)
    made(path, store)
    result, fresh = made(path, store, from_s=2.5, to_s=4.0)
    assert fresh == set()
    assert Path(result.deliveries[0].file).name == "mix.2.5-4s.wav"
    whole, _ = soundfile.read("out/mix.wav")
    part, _ = soundfile.read("out/mix.2.5-4s.wav")
    assert np.array_equal(part, whole[120000:192000])
    assert not result.failures


def test_a_stretch_without_prints_is_rendered_from_before_it(session, store):
    soundfile.write("kick.wav", drums(48000 * 12) * 0.5, 48000, subtype="FLOAT")
    text = KIT.replace('file = "mix.wav"\ntarget_lufs = -20', 'file = "mix.wav"\nbits = 32')
    path = session.write(text)
    result, _ = made(path, store, "part", from_s=8.0, to_s=9.5)
    assert any("rendered from 5 s before its start" in warning for warning in result.warnings)
    _, fresh = made(path, store, "part", from_s=8.0, to_s=9.5)
    assert fresh == set(), "stretches are kept, too"
    made(path, None, "whole")
    whole, _ = soundfile.read("whole/mix.wav")
    part, _ = soundfile.read("part/mix.8-9.5s.wav")
    assert part.shape == (72000, 2)
    assert np.abs(part - whole[384000:456000]).max() < 1e-4 * np.abs(whole).max()


def test_fades_keep_the_sessions_time_in_a_stretch(session, store):
    soundfile.write("ones.wav", np.full(48000 * 12, 0.5), 48000, subtype="FLOAT")
    path = session.write(
        'grammar = 1\n[stems.a]\nfile = "ones.wav"\nchain = [ { do = "fade", out_from_s = 8.0, out_to_s = 8.0 } ]\n[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    made(path, store, from_s=7.5, to_s=8.5)
    part, _ = soundfile.read("out/mix.7.5-8.5s.wav")
    assert int(np.flatnonzero(part[:, 0])[-1]) == 23999


@pytest.mark.parametrize(("from_s", "to_s"), [(5.0, 3.0), (100.0, 101.0), (-1.0, 1.0)])
def test_a_stretch_outside_the_session_or_backwards(session, store, from_s, to_s):
    with pytest.raises(UsageError, match=r"the stretch (is outside|ends before)"):
        made(session.write(KIT), store, from_s=from_s, to_s=to_s)
