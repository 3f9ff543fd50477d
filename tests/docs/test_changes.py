"""`chainrun explain changes`: the changelog on a terminal, all of it or what came after a version."""

from __future__ import annotations

import re

import pytest

import chainrun as package
from chainrun.docs import changes
from tests.signals import ROOT

CHANGELOG = ROOT / "chainrun" / "docs" / "CHANGELOG.md"
OLD = """# Changes

An introduction, which is no entry.

## 0.3.0

### Sound

Of old
recipes:

- The gate opens
  later.
- Another.

### Commands

- `a` and `b`.

## 0.2.0

- Begun.
"""


def test_the_newest_version_is_the_programs():
    assert changes.versions()[0] == package.__version__
    numbers = [tuple(map(int, version.split("."))) for version in changes.versions()]
    assert numbers == sorted(numbers, reverse=True)
    assert len(set(numbers)) == len(numbers)


def test_all_of_it_newest_first(chainrun):
    told = chainrun("explain", "changes").out
    assert max(map(len, told.splitlines())) <= 80
    at = [told.splitlines().index(version) for version in changes.versions()]
    assert at == sorted(at)
    words = re.sub(r"\W+", " ", told)
    for entry in re.findall(r"^- (.+(?:\n  .+)*)", CHANGELOG.read_text(), re.MULTILINE):
        assert re.sub(r"\W+", " ", entry).strip() in words


def test_what_came_after_a_version(chainrun):
    told = chainrun("explain", "changes", "0.1.0").out
    assert "0.2.0" in told.splitlines()
    assert "0.1.0" not in told.splitlines()
    newest = chainrun("explain", "changes", package.__version__)
    assert newest.code == 0
    assert newest.out == f"{package.__version__} is the newest version: nothing came after it.\n"


def test_as_json(chainrun):
    told = chainrun("explain", "changes", "--json").json
    assert [one["version"] for one in told["changes"]] == changes.versions()
    assert all(one["groups"] and all(group["entries"] for group in one["groups"]) for one in told["changes"])
    since = chainrun("explain", "changes", "0.1.0", "--json").json
    assert since["changes"] == told["changes"][: changes.versions().index("0.1.0")]


@pytest.mark.parametrize("given", ["0.1", "9.9.9", "v0.1.0", "sound"])
def test_a_version_that_is_not_known(chainrun, given):
    ran = chainrun("explain", "changes", given)
    assert ran.code == 2
    assert f"given {given}; allowed {', '.join(changes.versions())}" in ran.err


def test_other_words_take_no_version(chainrun):
    ran = chainrun("explain", "gate", "0.1.0")
    assert ran.code == 2
    assert "only `explain changes` takes a second word" in ran.err


def test_explain_lists_the_word(chainrun):
    assert "\n  changes  " in chainrun("explain").out
    assert max(map(len, chainrun("explain").out.splitlines())) <= 80
    assert ", changes" in chainrun("explain", "nothing-of-the-kind").err
    assert "changes" in chainrun("explain", "--help").out


def test_entries_are_read_whole():
    newest, first = changes.read(OLD)
    assert [(group.kind, group.about, group.entries) for group in newest.groups] == [
        ("Sound", "Of old recipes:", ["The gate opens later.", "Another."]),
        ("Commands", "", ["`a` and `b`."]),
    ]
    assert first.groups == [changes.ChangeGroup("", "", ["Begun."])]
