"""Errors under --json are documents, and come before anything is rendered."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

SONG = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "mix.wav"\n'


def test_an_output_folder_that_cannot_be_written_is_noticed_before_rendering(session, chainrun, monkeypatch):
    import chainrun.engine.run as module

    def rendered(*_):
        raise AssertionError("something was rendered")

    monkeypatch.setattr(module, "run_task", rendered)
    ran = chainrun("render", session.write(SONG), "-o", "/proc/self")  # no file can be made there, not even by root
    assert (ran.code, "the output folder" in ran.err) == (5, True), ran.err


@pytest.mark.parametrize(
    ("command", "code"),
    [
        (("render", "none.recipe.toml"), 3), (("render", "song.recipe.toml", "--nonsense"), 2),
        (("verify", "none.recipe.toml"), 3), (("batch", "none.jobs.toml"), 3), (("measure", "none.wav"), 4),
        (("compare", "none.wav", "kick.wav"), 4), (("survey", "none"), 3), (("draft", "none"), 2),
        (("render", "song.recipe.toml", "-o", "kick.wav"), 5), (("presets", "list", "--presets", "none"), None),
        (("check", "none.recipe.toml"), 3), (("store", "info", "--store", "kick.wav"), 5),
    ],
)  # fmt: skip
def test_every_error_under_json_is_one_document(session, chainrun, command, code):
    session.write(SONG)
    ran = chainrun(*command, "--json")
    document = json.loads(ran.out)
    assert isinstance(document, dict)
    assert code is None or ran.code == code, (ran.code, ran.err)
    if code is not None:
        assert document["problems"], document


def test_a_defect_under_json_is_a_document_too(session, chainrun, monkeypatch):
    import chainrun.cli.measure as module

    def broken(*_, **__):
        raise KeyError("x")

    import chainrun.measuring as engine

    monkeypatch.setattr(engine, "measure_file", broken)
    ran = chainrun("measure", "kick.wav", "--json")
    assert ran.code == 70
    assert "has a defect" in json.loads(ran.out)["problems"][0]["message"]
    assert module


def test_a_defect_is_reported_in_one_line_and_keeps_what_is_private(place, chainrun, monkeypatch):
    """Exit code 70; the file has the path through our own source, and no value, path or word of the user's."""

    def defect(*arguments, **named):
        raise RuntimeError(f"secret of {place}")

    monkeypatch.delenv("CHAINRUN_TRACEBACK", raising=False)
    from chainrun.cli import app

    monkeypatch.setattr(app, "_commands", lambda: defect)
    ran = chainrun("explain", "mysecretword", "--limit=nodes=7")
    assert ran.code == 70
    (line,) = ran.err.splitlines()
    assert "Traceback" not in line
    told = Path(line.rpartition(": ")[2]).read_text()
    for private in ("secret", str(place), os.path.expanduser("~") + "/", "nodes=7"):
        assert private not in told, private
    assert "RuntimeError" in told
    assert "command: explain … --limit" in told
    monkeypatch.setenv("CHAINRUN_TRACEBACK", "1")
    with pytest.raises(RuntimeError):
        chainrun("explain")
