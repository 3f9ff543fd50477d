"""Every page in a headless browser: no error, nothing from outside, headings in order, nothing too wide.

Figures are checked against values from NumPy, or against the Audio EQ Cookbook's own numbers; contrast of 4.5:1 and
headings in order are WCAG 2.2's (1.4.3, 1.3.1), judged by axe-core where it is installed.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from tests import program
from tests.signals import ROOT

BROWSER = ROOT / "tests" / "report" / "look.mjs"


# -- in a browser --------------------------------------------------------------------------------------------------------------


def browser():
    """Chromium and the modules that look.mjs needs, or the reason why they are missing."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    modules = Path(os.environ.get("CHAINRUN_NODE_MODULES", BROWSER.parent)) / "node_modules"
    if chromium is None or shutil.which("node") is None:
        return None, "chromium or node is not installed"
    if not all((modules / name).is_dir() for name in ("playwright-core", "axe-core")):
        return None, f"playwright-core and axe-core are not in {modules} (npm install)"
    return chromium, ""


def test_every_page_in_a_browser(song, session, chainrun):
    chromium, why = browser()
    if chromium is None:
        pytest.skip(why)
    chainrun("verify", song, "--accept")
    for command in (
        ("render", song, "-o", "out", "--report", "mix"),
        ("verify", song, "--set", "stems.pair.level_db=-3", "--report", "verify"),
        ("compare", song, "--variant", "dry", "--report", "compare.html"),
        ("survey", song, "--report", "survey"),
        ("walkthrough", song, "-o", "walk", "--stems", "kick"),
    ):
        assert chainrun(*command).code in (0, 1)
    Path("n.jobs.toml").write_text(
        'grammar = 1\n[[job]]\nrecipes = ["song.recipe.toml"]\n[[job]]\nrecipes = ["song.recipe.toml"]\nname = "b"\n'
    )
    chainrun("batch", "n.jobs.toml", "--report", "batch")
    pages = [*sorted(str(path) for path in Path().glob("*/index.html")), "compare.html"]
    assert len(pages) == 6
    ran = program.run_as_process(BROWSER, chromium, *pages, command=["node"])
    assert ran.code == 0, ran.err
    seen = ran.json
    assert len(seen) == 3 * len(pages)
    for one in seen:
        what = (one["page"], one["width"], one["media"])
        assert (one["errors"], one["outside"], one["violations"]) == ([], [], []), what
        assert all(duration > 0 for duration in one["durations"]), what
        assert one["headings"][0] == 1 and all(
            b - a <= 1 for a, b in zip(one["headings"], one["headings"][1:], strict=False)
        ), what
        assert all(alt and whole for alt, whole in one["images"]), what
        assert one["overflow"] <= 0, what
        for drawing in one["figures"]:
            assert drawing["width"] >= drawing["column"] - 1, (what, drawing)  # it uses the width there is
            if one["media"] == "screen":
                letters_px = 8.0 if one["width"] < 641 else 9.0  # points of a legend, see draw.NARROW and draw.WIDE
                assert letters_px * 96 / 72 * drawing["width"] / drawing["natural"] >= 7.9, (what, drawing)
                assert drawing["file"].endswith(".narrow.svg") == (one["width"] < 641) or "base64" in drawing["file"]
    assert {one["page"] for one in seen if one["players"]} >= {"mix/index.html", "walk/index.html", "compare.html"}
    assert any(one["sorted"] == "ascending" for one in seen)
