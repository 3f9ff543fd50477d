"""`compare`: two files, two recipes, two variants, and a sweep."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from tests.songs import JUDGED


def test_compare_two_files_two_recipes_and_two_variants(session, chainrun):
    path = session.write(
        JUDGED + '[variants.softer]\n"buses.kit.level_db" = -9\n[variants.upside]\n"stems.snare.invert" = true\n'
    )
    told = chainrun("compare", path, "--variant", "softer", "--json").json
    assert told["gain_db"] == pytest.approx(3.0, abs=0.01)
    assert told["verdict"].startswith("no audible difference")
    told = chainrun("compare", path, "--variant", "softer", "--no-match", "--json").json
    assert told["difference"]["integrated_lufs"] == pytest.approx(-3, abs=0.01)
    assert "in all bands, by up to -3.0 dB" in told["verdict"]
    told = chainrun("compare", path, "--variant", "softer", "--variant", "upside", "--json").json
    assert told["residual_lu"] > -10
    ran = chainrun("compare", path, path)
    assert (ran.code, ran.out.splitlines()[-1]) == (0, "identical samples")
    assert max(map(len, ran.out.splitlines())) <= 80
    assert chainrun("compare", path, "--variant", "upside", "--fail-if-audible").code == 1
    for arguments in (
        (path,),
        ("pair.wav", "--variant", "x"),
        (path, path, "--variant", "softer"),
        (path, "--sweep", "x"),
    ):
        assert chainrun("compare", *arguments).code == 2
    assert chainrun("compare", "kick.wav", "nothing.wav").code == 4


def test_sweep(session, chainrun):
    path = session.write(JUDGED)
    ran = chainrun("compare", path, "--sweep", "stems.kick.chain.squash.ratio=1.5,4,10", "-o", "swept", "--json")
    rows = ran.json["values"]
    reductions = [row["gain_reduction_max_db"] for row in rows]
    assert reductions == sorted(reductions) and reductions[0] < reductions[2] - 2
    loud = [soundfile.read(row["matched"])[0] for row in rows]
    assert [row["value"] for row in rows] == ["1.5", "4", "10"]
    levels = chainrun("measure", *(row["matched"] for row in rows), "--json").json["files"]
    measured = [one["measured"]["integrated_lufs"] for one in levels]
    assert max(measured) - min(measured) < 0.05
    assert all(np.abs(x).max() <= 1 for x in loud)
    assert rows[0]["residual_lu"] is None and rows[2]["residual_lu"] > rows[1]["residual_lu"]
    assert chainrun("compare", path, "--sweep", "stems.kick.chain.nothing.ratio=1,2", "-o", "swept").code == 3
