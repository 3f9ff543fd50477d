"""A render reports odd things about its files."""

from __future__ import annotations

import numpy as np
import soundfile

from tests.songs import impulse_file, render_main


def test_a_shift_before_time_0_is_reported(session):
    impulse_file(session.folder, at=10)
    path = session.write('grammar = 1\n[stems.a]\nfile = "impulse.wav"\nshift_samples = -100.5\n')
    _, _, result = render_main(path)
    assert any("before time 0" in warning for warning in result.warnings)


def test_a_stem_before_time_0_is_reported(session):
    path = session.write(
        'grammar = 1\n[stems.a]\nfile = "kick.wav"\n[stems.b]\nfile = "kick.wav"\nshift_samples = -500000\n'
    )
    _, _, result = render_main(path)
    assert any(w.startswith("b: the shift moved sound before time 0") for w in result.warnings)


def test_odd_files_are_reported(session):
    soundfile.write("short.wav", np.zeros(4800) + 0.1, 48000)
    path = session.write(
        'grammar = 1\n[stems.a]\nfile = ["kick.wav", "short.wav"]\n[stems.b]\nfile = "kick.wav"\nto_s = 99\n'
    )
    _, _, result = render_main(path)
    told = [w.split(":")[0] for w in result.warnings if not w.startswith("caution")]
    assert told == ["a", "b"]


def test_clipped_input_is_reported(session):
    soundfile.write("hot.wav", np.clip(np.sin(np.arange(4800) / 9) * 3, -1, 1), 48000, subtype="PCM_16")
    _, _, result = render_main(session.write('grammar = 1\n[stems.a]\nfile = "hot.wav"\nlevel_db = -6\n'))
    assert "clipped runs" in result.warnings[0]
