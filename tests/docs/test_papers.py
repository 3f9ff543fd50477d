"""The papers are short enough to be read, and the files that they link to and name exist."""

from __future__ import annotations

import re

import pytest

from tests.signals import ROOT

PAPERS = [
    "README.md", "DEVELOPERS.md", ".github/SECURITY.md", "chainrun/docs/CHANGELOG.md", "chainrun/docs/decisions.md",
    "tests/bench/RESULTS.md",
]  # fmt: skip
DECISIONS = (ROOT / "chainrun" / "docs" / "decisions.md").read_text()


def anchor(heading):
    """Name of a heading in a link."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


@pytest.mark.parametrize("paper", PAPERS)
def test_links_lead_somewhere(paper):
    path = ROOT / paper
    text = path.read_text()
    anchors = {anchor(heading) for heading in re.findall(r"^#+ (.*)$", text, re.MULTILINE)}
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if target.startswith("#"):
            assert target[1:] in anchors, target
        else:
            assert (path.parent / target).exists(), target


def test_the_paper_for_engineers_is_short_and_links_to_the_others():
    text = (ROOT / "DEVELOPERS.md").read_text()
    assert len(text.splitlines()) <= 200
    for paper in PAPERS:
        assert paper == "DEVELOPERS.md" or f"]({paper})" in text, paper


def test_the_readme_links_to_changelog_and_security():
    text = (ROOT / "README.md").read_text()
    assert "](chainrun/docs/CHANGELOG.md)" in text
    assert "](.github/SECURITY.md)" in text


@pytest.mark.parametrize("entry", re.split(r"^### ", DECISIONS, flags=re.MULTILINE)[1:], ids=lambda e: e.split("\n")[0])
def test_each_decision_has_context_decision_and_consequence(entry):
    assert re.findall(r"^- (\w+): ", entry, re.MULTILINE) == ["Context", "Decision", "Consequence"]


def test_files_that_decisions_name_are_there():
    named = set(re.findall(r"(?<![\w/.])[a-z_]+/[\w/]+\.(?:py|toml|md)\b", DECISIONS))
    assert len(named) > 10
    missing = [name for name in named if not any((root / name).exists() for root in (ROOT, ROOT / "chainrun"))]
    assert not missing
