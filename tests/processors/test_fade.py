"""`fade` and `dc_block`: fades keep session time, offsets are removed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

import chainrun.processors  # noqa: F401
from tests.steps import RATE, through


def test_dc_block_and_fade():
    y = through(np.full((1, 2 * RATE), 0.3), do="dc_block")
    assert abs(y[0, -1]) < 1e-6
    y = through(np.ones((1, RATE)), do="fade", in_to_s=0.1, out_from_s=0.5, out_to_s=0.6)[0]
    assert (y[0], y[2400], y[4800]) == pytest.approx((0, 0.5, 1), abs=1e-9)
    assert (y[24000], y[26400], y[28800]) == pytest.approx((1, 0.5, 0), abs=1e-9)
    assert np.abs(np.diff(y)).max() < 4e-4


def test_a_fade_keeps_session_time_after_latency(session):
    from chainrun.recipe import open_recipe
    from tests.songs import render_opened

    soundfile.write("ones.wav", np.full(RATE, 0.5), RATE, subtype="FLOAT")
    path = session.write(
        'grammar = 1\n[stems.a]\nfile = "ones.wav"\nchain = [ { do = "limiter", ceiling_dbfs = 0, lookahead_ms = 10 }, { do = "fade", in_from_s = 0.2, in_to_s = 0.2 } ]\n'
        '[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    y, _ = soundfile.read(render_opened(open_recipe(path), Path("out")).deliveries[0].file)
    assert int(np.flatnonzero(y[:, 0])[0]) == 9600
