"""Every limit is an option, named in its error, and holds for files alone."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import pytest

from chainrun.errors import UsageError
from chainrun.limits import Limits


@pytest.mark.parametrize(
    ("limit", "code"),
    [
        ("toml_kb=0.05", 3), ("nodes=3", 3), ("steps=1", 3), ("nesting=0", 3), ("file_gb=0.000001", 4), ("length_s=0.1", 4),
        ("channels=1", 4), ("rate_hz=44100", 4), ("oversampling=2", 3), ("tail_s=1", 3), ("memory_gb=0.0001", 3),
        ("work_h=0.00000001", 3), ("disk_gb=0.001", 3),
    ],
)  # fmt: skip
def test_every_limit_is_an_option_and_named_in_its_error(session, chainrun, limit, code, monkeypatch):
    song = session.write(
        'grammar = 1\n[stems.kick]\nfile = "kick.wav"\nto = "a"\n[stems.pair]\nfile = "pair.wav"\n'
        'chain = [ { do = "saturate" }, { do = "branches", branches = [ { chain = [ { do = "gain" } ] } ] } ]\n'
        "[buses.a]\n[buses.b]\n"
    )
    name = limit.partition("=")[0]
    assert chainrun("check", song).code == 0
    for command in ("check", "render", "resolve"):
        ran = chainrun(command, song, "--limit", limit)
        if command == "resolve" and name not in ("toml_kb", "nodes", "steps", "nesting"):
            continue  # It neither opens stems nor plans.
        assert ran.code == code, (command, ran.err)
        assert f"above the limit {name}" in ran.err and f"--limit {name}=" in ran.err and "allowed at most" in ran.err
        # With the option from the hint it passes, unless something else of that kind is larger.
        words = ran.err.split(f"--limit {name}=")[-1].split()[0]
        assert float(words) > float(limit.partition("=")[2])
    assert not Path("out").exists()
    monkeypatch.setenv("CHAINRUN_LIMITS", f"{limit} nodes=99")
    assert chainrun("check", song).code == (0 if name == "nodes" else code)


def test_all_limits_are_tried_above():
    tried = {mark.args[1][i][0].partition("=")[0] for mark in test_every_limit_is_an_option_and_named_in_its_error.pytestmark for i in range(len(mark.args[1]))}  # fmt: skip
    assert tried == {one.name for one in fields(Limits)}


def test_invalid_limits(session, chainrun):
    song = session.write('grammar = 1\n[stems.kick]\nfile = "kick.wav"\n')
    for words, said in (
        (["nods=3"], "nodes"),
        (["nodes"], "NAME=VALUE"),
        (["nodes=x"], "not a valid number"),
        (["nodes=-1"], "not a valid number"),
    ):
        ran = chainrun("check", song, *(part for word in words for part in ("--limit", word)))
        assert ran.code == 2 and said in ran.err
    with pytest.raises(UsageError):
        Limits.of([], {"CHAINRUN_LIMITS": "nodes=many"})
    ran = chainrun("explain", "limits")
    assert ran.code == 0 and all(one.name in ran.out for one in fields(Limits))
    assert {row["name"] for row in chainrun("explain", "limits", "--json").json["limits"]} == {
        one.name for one in fields(Limits)
    }


def test_limits_hold_for_files_alone(session, chainrun):
    assert chainrun("measure", "pair.wav", "--limit", "channels=1").code == 4
    assert chainrun("compare", "pair.wav", "pair.wav", "--limit", "length_s=0.1").code == 4
    assert chainrun("survey", ".", "--limit", "length_s=0.1").code == 4
    assert chainrun("draft", ".", "--limit", "rate_hz=8000").code == 4
    Path("n.jobs.toml").write_text('grammar = 1\n[[job]]\nrecipes = ["song.recipe.toml"]\n')
    session.write('grammar = 1\n[stems.kick]\nfile = "kick.wav"\n')
    ran = chainrun("batch", "n.jobs.toml", "--limit", "length_s=0.1")
    assert ran.code == 1 and "above the limit length_s" in ran.err
