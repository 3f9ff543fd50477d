"""Drafts, packs, walkthroughs and measurements called from Python: typed results, problems with codes."""

from __future__ import annotations

from pathlib import Path

import pytest
import soundfile

from chainrun.errors import AudioError, UsageError
from chainrun.measuring import measure_files
from chainrun.pack.check import check_pack
from chainrun.pack.make import PackOptions, make_pack
from chainrun.problem_codes import Code
from chainrun.recipe import open_recipe
from chainrun.report.page import PagePlace
from chainrun.survey.advice import About, advice
from chainrun.survey.channels import of_folder
from chainrun.survey.survey import survey
from chainrun.survey.write_draft import write_draft
from chainrun.walkthrough.page import WalkthroughOptions, walkthrough
from tests.signals import drums, noise


@pytest.fixture
def takes(tmp_path, monkeypatch):
    """A folder with three recordings, one of them silent."""
    monkeypatch.chdir(tmp_path)
    folder = Path("takes")
    folder.mkdir()
    soundfile.write(folder / "kick.wav", drums(96000, seed=1) * 0.5, 48000, subtype="PCM_24")
    soundfile.write(folder / "voice.wav", noise(96000, 0.05, seed=2), 48000, subtype="PCM_24")
    soundfile.write(folder / "spare.wav", noise(96000, 0.0, seed=3), 48000, subtype="PCM_24")
    return folder


def test_a_draft_is_packed_and_walked_through(takes):
    made = write_draft(takes, workers=1)
    assert (made.recipe, made.stems) == (takes / "takes.recipe.toml", ["kick", "spare", "voice"])
    assert (made.inside_root, made.root_mark, made.measured) == (True, None, True)
    assert made.presets_written
    with pytest.raises(UsageError) as refused:
        write_draft(takes)
    assert refused.value.problems[0].code is Code.FILE_EXISTS

    opened = open_recipe(made.recipe)
    packed = make_pack(opened, Path("takes.zip"), PackOptions(workers=1))
    assert (packed.file, packed.n_bytes) == (Path("takes.zip"), Path("takes.zip").stat().st_size)
    assert check_pack(packed.file).problems == []

    options = WalkthroughOptions(("kick",), 0.0, 1.0, workers=1)
    page = walkthrough(opened, PagePlace.of(Path("steps")), options)
    assert page == Path("steps/index.html")
    assert "<table>" in page.read_text()


def test_what_is_wrong_has_a_code(takes):
    found = advice(survey(of_folder(takes)))
    assert [one.stem for one in found if one.about is About.SILENCE] == ["spare"]
    with pytest.raises(UsageError) as refused:
        survey(of_folder(takes), reference="nobody")
    assert refused.value.problems[0].code is Code.UNKNOWN_WORD
    Path("empty").mkdir()
    with pytest.raises(AudioError) as empty:
        of_folder(Path("empty"))
    assert empty.value.problems[0].code is Code.NO_AUDIO_FILES


def test_files_are_measured_and_those_that_cannot_be_are_problems(takes):
    found = measure_files([takes / "kick.wav", Path("none.wav")])
    assert [one.file.name for one in found.files] == ["kick.wav"]
    assert [one.file for one in found.problems] == ["none.wav"]
    assert not found.files[0].has_second
