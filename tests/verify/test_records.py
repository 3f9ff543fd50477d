"""Checks, changes, causes and baselines as records, and their sentences."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.delivery.result import QUANTITIES as STEP_READINGS
from chainrun.errors import RecipeError, UsageError
from chainrun.measured import READINGS
from chainrun.problem_codes import Code
from chainrun.recipe import Overrides, open_recipe
from chainrun.verify import baseline, wording
from chainrun.verify.aspects import GROUP_OF, UNIT_OF, Aspect, AspectGroup, Unit
from chainrun.verify.changes import AudioNoteKind, ChangeKind, NodeChangeKind, PrintChangeKind, RecordingChangeKind
from chainrun.verify.checks import Bound, Check, Limit, NoBaseline, RenderFailure, Samples
from chainrun.verify.many import mixes_of, verify_mixes
from chainrun.verify.recordings import Recording, recording_changes
from chainrun.verify.run import VerifyOptions, accept, verify_recipe
from chainrun.verify.settings import by_file, changed_settings, reordered
from chainrun.verify.two_baselines import compare_baselines
from chainrun.verify.verdicts import Refused, Verdict, Verified, check_record
from chainrun.verify.wording import (
    change_text,
    check_text,
    limited_text,
    recording_change_text,
    subject_text,
    whole_text,
)
from tests.signals import RATE, ROOT, drums
from tests.songs import JUDGED

# -- checks ------------------------------------------------------------------------------------------------------------


def test_every_reading_has_a_unit_that_its_name_ends_with():
    assert set(UNIT_OF) == {*READINGS, *STEP_READINGS}
    ends = {
        "lufs": Unit.LUFS,
        "lu": Unit.LU,
        "dbtp": Unit.DBTP,
        "db": Unit.DB,
        "dbfs": Unit.DBFS,
        "pct": Unit.PERCENT,
        "hz": Unit.HERTZ,
    }
    assert {
        name: unit for name, unit in UNIT_OF.items() if unit is not ends.get(name.rsplit("_", 1)[-1], Unit.NONE)
    } == {}


def test_every_aspect_of_a_baseline_is_in_one_group():
    assert set(Aspect) - set(GROUP_OF) == {Aspect.EXPECTATION, Aspect.RENDER}
    assert set(GROUP_OF.values()) == set(AspectGroup)


@pytest.mark.parametrize(
    ("limit", "inside", "outside"),
    [
        (Limit(Bound.AS_IT_WAS), 3.0, 3.1),
        (Limit(Bound.WITHIN, 0.5), 3.5, 3.6),
        (Limit(Bound.NEAR, -14, 1), -13.0, -12.9),
        (Limit(Bound.BETWEEN, -2, 2), 2.0, 2.1),
        (Limit(Bound.AT_LEAST, 1), 1.0, 0.9),
        (Limit(Bound.AT_MOST, -1), -1.0, -0.9),
    ],
)
def test_limits(limit, inside, outside):
    assert limit.allows(inside, 3.0)
    assert not limit.allows(outside, 3.0)


@pytest.mark.parametrize(
    ("check", "name", "subject", "whole"),
    [
        (
            Check(Aspect.INTEGRATED, False, -13.5, -14.0, (Limit(Bound.WITHIN, 0.1),), delivery="a.wav"),
            "a.wav: integrated_lufs",
            "a.wav:",
            "a.wav: integrated_lufs: was -14.00, now -13.50 LUFS (+0.50); allowed: within 0.1 LUFS",
        ),
        (
            Check(Aspect.LENGTH, False, 480.0, 960.0, (Limit(Bound.AS_IT_WAS),), delivery="expect.wav"),
            "expect.wav: length",
            "expect.wav:",
            "expect.wav: length: was 960, now 480 frames; allowed: unchanged",
        ),
        (
            Check(Aspect.EXPECTATION, False, -3.0, limits=(Limit(Bound.AT_MOST, -6), Limit(Bound.AT_LEAST, -9)), path="main.rms_dbfs"),
            "expect: main.rms_dbfs",
            "expect:",
            "main.rms_dbfs: -3.00 dBFS, expected at most -6, at least -9 dBFS",
        ),
        (
            Check(Aspect.SAMPLES, False, delivery="a.wav", detail=Samples.NOT_MADE),
            "a.wav: baseline",
            "a.wav: baseline",
            "a.wav: this delivery is in the baseline, but is no longer rendered",
        ),
        (
            Check(Aspect.SAMPLES, False, detail=NoBaseline("song.baseline.toml")),
            "baseline",
            "render",
            "there is no baseline song.baseline.toml; listen to the mix, then: chainrun verify RECIPE --accept",
        ),
        (
            Check(Aspect.RENDER, False, delivery="a.wav", detail=RenderFailure("a.wav: too quiet")),
            "delivery a.wav",
            "render",
            "a.wav: too quiet",
        ),
    ],
    ids=["loudness", "length", "expectation", "samples", "no baseline", "render"],
)  # fmt: skip
def test_the_sentence_of_a_check_is_made_from_its_fields(check, name, subject, whole):
    assert (check.name, subject_text(check), whole_text(check)) == (name, subject, whole)
    assert limited_text(check) in whole
    assert check_record(check)["text"] == check_text(check)


@pytest.mark.parametrize(
    ("words", "kinds"),
    [
        (wording.TEXT_OF_SAMPLES, Samples),
        (wording.LIMIT_WORDS, Bound),
        (wording.CHANGE_WORDS, ChangeKind),
        (wording.RECORDING_WORDS, RecordingChangeKind),
        (wording.PRINT_CHANGE_WORDS, PrintChangeKind),
        (wording.NODE_WORDS, NodeChangeKind),
        (wording.AUDIO_WORDS, AudioNoteKind),
    ],
    ids=lambda one: one.__name__ if isinstance(one, type) else "words",
)
def test_every_kind_has_words(words, kinds):
    assert set(words) == set(kinds)


def test_a_reading_that_is_missing_is_no_number():
    lost = Check(Aspect.RANGE, False, None, 3.0, (Limit(Bound.WITHIN, 0.5),), delivery="a.wav")
    assert check_text(lost) == "range_lu: was 3.00 LU, now not measured"
    assert (check_record(lost)["measured"], check_record(lost)["was"]) == (None, 3.0)
    silent = Check(Aspect.INTEGRATED, False, None, -14.0, (Limit(Bound.WITHIN, 0.1),), delivery="a.wav")
    assert check_text(silent) == "integrated_lufs: was -14.00 LUFS, now silence"


# -- changes -----------------------------------------------------------------------------------------------------------


def test_changes_of_settings_have_kinds():
    then = {"recipe": "rate_hz=48000", "buses.kit": "level_db=-6", "stems.a": "file=#1", "main.chain.x": "do=gain"}
    today = {"recipe": "rate_hz=44100", "buses.kit": "", "stems.a": "file=#2", "main.chain.y": "do=gain"}
    found = {one.key: one for one in changed_settings(then, today)}
    assert {key: one.kind for key, one in found.items()} == {
        "rate_hz": ChangeKind.VALUE,
        "buses.kit.level_db": ChangeKind.VALUE,
        "stems.a.file": ChangeKind.CONTENT,
        "main.chain.x": ChangeKind.REMOVED,
        "main.chain.y": ChangeKind.ADDED,
    }
    assert (found["buses.kit.level_db"].before, found["buses.kit.level_db"].after) == ("-6", None)
    assert change_text(found["buses.kit.level_db"]) == "was -6, now not set"
    (order,) = reordered({"main.chain.a": "", "main.chain.b": ""}, {"main.chain.b": "", "main.chain.a": ""})
    assert (order.kind, order.steps_before, order.steps_after) == (ChangeKind.ORDER, ("a", "b"), ("b", "a"))
    assert by_file({"deliver.0": "file=b.wav", "deliver.1": "file=c.wav"}, {"deliver.4": "file=b.wav"}) == {
        "deliver.4": "file=b.wav",
        "deliver of c.wav": "file=c.wav",
    }


def recording(*waves, louder_db=0.0):
    """Six seconds at one level; `louder_db` for each channel, or for all."""
    levels = np.full((6, len(waves)), -20.0).T + np.broadcast_to(louder_db, len(waves))[:, None]
    return Recording(RATE, 6 * RATE, 1, np.array(waves), levels, levels + 10.0)


def test_equal_changes_of_both_sides_are_one_change():
    random = np.random.default_rng(1)
    left, right = (random.normal(size=24) + 1j * random.normal(size=24) for _ in range(2))
    was = recording(left, right)
    louder = 10 ** (0.3 / 20)
    (gain, flip) = recording_changes(was, recording(-left * louder, -right * louder, louder_db=0.3))
    assert (gain.kind, gain.channel, gain.amount) == (RecordingChangeKind.GAIN, None, 0.3)
    assert (flip.kind, flip.channel) == (RecordingChangeKind.INVERTED, None)
    (flip, gain) = recording_changes(was, recording(-left, right * louder, louder_db=(0, 0.3)))
    assert [recording_change_text(one) for one in (flip, gain)] == ["left: polarity inverted", "right: +0.30 dB"]
    (swap,) = recording_changes(was, recording(right, left))
    assert swap.kind is RecordingChangeKind.SIDES_SWAPPED
    (other,) = recording_changes(was, was)
    assert other.kind is RecordingChangeKind.OTHER_SAMPLES
    three = recording(left, right, left), recording(left, -right, left)
    assert [recording_change_text(one) for one in recording_changes(*three)] == ["channel 2: polarity inverted"]


# -- baselines ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", sorted((ROOT / "recipes").glob("*.baseline.toml")), ids=lambda path: path.name)
def test_a_baseline_is_written_as_it_was_read(path):
    assert baseline.text_of(baseline.read(path)) == path.read_text(encoding="utf-8")


def test_problems_of_baselines_have_codes(session):
    path = session.write(JUDGED)
    opened = open_recipe(path)
    accept(opened)
    file = Path("song.baseline.toml")
    text = file.read_text()
    for damaged, code in (
        (text.replace("grammar = 1", "grammar = 3", 1), Code.BASELINE_VERSION),
        (text[:600], Code.BASELINE_DAMAGED),
        (text.replace('sketch = "', 'sketch = "A'), Code.BASELINE_DAMAGED),
        (text.replace('recipe = "song.', 'recipe = "other.'), Code.BASELINE_OF_ANOTHER),
    ):
        file.write_text(damaged)
        with pytest.raises(RecipeError) as refused:
            verify_recipe(opened)
        assert {one.code for one in refused.value.problems} == {code}
    file.write_bytes(b"\xff\xfe")
    assert baseline.kept_deliveries(file) == []


# -- from Python -------------------------------------------------------------------------------------------------------


def test_verify_and_accept_from_python(session):
    path = session.write(JUDGED)
    (check,) = verify_recipe(open_recipe(path)).failed
    assert check.detail == NoBaseline("song.baseline.toml")
    assert accept(open_recipe(path)).accepted
    verdict = verify_recipe(open_recipe(path))
    assert verdict.passed and verdict.cause is None and not verdict.accepted
    with pytest.raises(UsageError) as refused:
        accept(open_recipe(path, Overrides(sets=("buses.kit.level_db=-9",))))
    assert refused.value.problems[0].code is Code.ACCEPT_CHANGED_RECIPE
    verdict = verify_recipe(open_recipe(path, Overrides(sets=("stems.snare.chain.0.bands.0.gain_db=9",))))
    assert {check.aspect for check in verdict.failed} >= {Aspect.SPECTRUM, Aspect.RESIDUAL}
    assert verdict.cause.node == "snare"
    assert verdict.cause.differences[0].kind is PrintChangeKind.RESIDUAL
    (change,) = verdict.cause.changed
    assert (change.kind, change.before, change.after) == (ChangeKind.VALUE, "3.0", "9.0")
    assert verdict.places[change.key].line is None  # it is on the command line


def test_the_cause_of_another_recording_has_its_kind(session):
    path = session.write(JUDGED)
    soundfile.write("kick.wav", drums(6 * RATE, seed=1) * 0.3, RATE, subtype="FLOAT")
    accept(open_recipe(path))
    soundfile.write("kick.wav", -drums(6 * RATE, seed=1) * 0.3, RATE, subtype="FLOAT")
    verdict = verify_recipe(open_recipe(path))
    (change,) = verdict.cause.changed
    assert change.kind is ChangeKind.RECORDING
    assert [one.kind for one in change.recording] == [RecordingChangeKind.INVERTED]


def test_several_recipes_and_one_that_is_refused(session):
    song = session.write(JUDGED + '[variants.softer]\n"buses.kit.level_db" = -9\n')
    broken = session.write("grammar = 1\n", name="broken")
    mixes = mixes_of([song, broken], Overrides())
    assert [one.name for one in mixes] == ["song", "song.softer", "broken"]
    results = list(verify_mixes(mixes, VerifyOptions(out=Path("kept")), accepting=True))
    assert [type(one) for one in results] == [Verdict, Verdict, Refused]
    assert Path("kept/song.softer/mix.wav").exists()
    verified = Verified.of(results)
    assert (verified.passed, verified.exit_code) == (False, 3)
    two = compare_baselines(Path("song.baseline.toml"), Path("song+softer.baseline.toml"))
    assert not two.passed and two.cause.node == "main"
    with pytest.raises(UsageError) as refused:
        compare_baselines(Path("song.baseline.toml"), Path("kick.wav"))
    assert refused.value.problems[0].code is Code.NOT_COMPARABLE
