"""The same PCM whatever the way: workers, fresh and cached prints; and within rounding, block sizes and processors."""

from __future__ import annotations

import pytest

from tests.engine.ways import apart_dbfs, files, rendered

RECIPE = "one-microphone"


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    return rendered(RECIPE, tmp_path_factory.mktemp("first"))


@pytest.mark.parametrize("way", ["workers", "store"])
def test_the_same_files(first, tmp_path, way):
    how = {"workers": {"workers": 2}, "store": {"store": str(tmp_path / "kept")}}[way]
    for turn in range(2 if way == "store" else 1):  # fresh prints, then cached ones
        assert files(rendered(RECIPE, tmp_path / str(turn), **how)) == files(first)


@pytest.mark.parametrize("how", [{"block": 4801}, {"OPENBLAS_CORETYPE": "Prescott"}], ids=["blocks", "processor"])
def test_the_same_sound(first, tmp_path, how):
    """Prints are float32: their last bit may differ (6e-8 of full scale is -144 dBFS)."""
    assert apart_dbfs(first, rendered(RECIPE, tmp_path, **how)) < -130
