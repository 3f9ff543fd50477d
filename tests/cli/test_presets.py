"""`presets show` measures a chain with its gates open."""

from __future__ import annotations

from pathlib import Path


def test_presets_show_measures_a_gated_chain_open(session, chainrun):
    folder = Path("presets")
    folder.mkdir()
    bell = '{ do = "eq", bands = [ { kind = "bell", freq_hz = 1000, gain_db = 6 } ] }'
    for name, chain in (("plain", bell), ("gated", '{ do = "gate", threshold_dbfs = -6 }, ' + bell)):
        (folder / f"{name}.preset.toml").write_text(f"grammar = 1\nsince = 2020\nchain = [ {chain} ]\n")
    plain, gated = (
        chainrun("presets", "show", name, "--presets", "presets", "--json").json for name in ("plain", "gated")
    )
    assert gated["profile"]["response_db"] == plain["profile"]["response_db"]
    assert (plain["measured_with_gates_open"], gated["measured_with_gates_open"]) == (False, True)
    assert "gates open" in chainrun("presets", "show", "gated", "--presets", "presets").out
