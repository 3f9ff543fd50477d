"""Readings are found by digit and by name, and stop with the input."""

from __future__ import annotations

import pytest

import chainrun.processors  # noqa: F401


def test_expectations_find_readings_by_digit_and_by_name(demo):
    from chainrun.recipe import open_recipe
    from tests.songs import render_opened

    result = render_opened(open_recipe(demo), demo.parent.parent / "out")
    by_name = result.reading_at("buses.kit.chain.glue.gain_reduction_max_db")
    assert by_name == result.reading_at("buses.kit.chain.0.gain_reduction_max_db")
    assert 0 < result.reading_at("buses.kit.chain.0.compressor.gain_reduction_mean_db") < by_name
    assert 0 < result.reading_at("stems.kick.chain.door.gain_reduction_working_pct") < 100
    assert result.reading_at("main.chain.1.gain_reduction_max_db") > 0
    with pytest.raises(KeyError, match="no readings"):
        result.reading_at("stems.hat.chain.0.gain_reduction_max_db")


def test_readings_stop_with_the_input(session):
    from pathlib import Path

    from chainrun.recipe import open_recipe
    from tests.songs import render_opened

    late = ", ".join(['{ do = "compressor", threshold_dbfs = 0, lookahead_ms = 50 }'] * 6)
    path = session.write(
        f'grammar = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ {{ do = "gate", threshold_dbfs = -30 }}, {late} ]\n'
    )
    gate = render_opened(open_recipe(path), Path("out")).nodes[0].readings[0]
    assert gate.curve_max_db.size == 50  # 0.5 s
