"""Roles from names, odd folders, bad calls, and drafts of them.

Arrival: the truth is distance over the speed of sound (343.2 m/s, ISO 9613-1). The rule of three to one, a pad
forgotten before the converter, mains frequencies: common practice.
"""

from __future__ import annotations

import json
import shutil

import numpy as np
import pytest
import soundfile
from scipy import signal

from chainrun.survey.advice import advice
from chainrun.survey.channels import of_folder
from chainrun.survey.roles import role_of, stem_name, tokens
from chainrun.survey.survey import survey
from tests.signals import noise
from tests.survey.sounds import CASES, DEMO, RATE, files

# -- odd input ----------------------------------------------------------------------------------------------------

NAMES = {
    "01_Kick In": ("kick", "in", None),
    "Grosse Caisse": ("kick", None, None),
    "grancassa": ("kick", None, None),
    "BD": ("kick", None, None),
    "Großtrommel": ("kick", None, None),
    "Kick Sub": ("kick", "out", None),
    "SnareTop": ("snare", "top", None),
    "SD_btm": ("snare", "under", None),
    "caisse claire": ("snare", None, None),
    "snare_under": ("snare", "under", None),
    "hi-hat": ("hat", None, None),
    "Tom1": ("rack_tom", None, None),
    "standtom": ("floor_tom", None, None),
    "OHR": ("overhead", None, "right"),
    "over_left": ("overhead", None, "left"),
    "Raum links": ("room", None, "left"),
    "bass_di": ("bass", "line", None),
    "Bass Amp": ("bass", "amp", None),
    "E-Gtr L": ("guitar", None, "left"),
    "Lead Vox": ("voice", None, None),
    "track 07": (None, None, None),
    "": (None, None, None),
}


@pytest.mark.parametrize("name", NAMES)
def test_roles_from_names(name):
    role = role_of(name)
    assert (role.instrument, role.part, role.side) == NAMES[name]


def test_names_of_stems():
    assert stem_name("Großtrommel (1)") == "grosstrommel_1"
    assert stem_name("main") == "main_2"
    assert stem_name("日本") == "stem"
    assert tokens("KickIn07b") == ["kick", "in", "07", "b"]


def test_a_line_and_its_amplifier(tmp_path):
    """The whole of both is compared: an amplifier's microphone, 3.1 ms later, inverted, through a loudspeaker."""
    rng = np.random.default_rng(3)
    n, late = 6 * RATE, 150
    line = signal.lfilter([1], [1, -0.95], rng.standard_normal(n)) * (0.3 + 0.7 * (np.arange(n) % 24000 < 9000)) * 0.05
    box = signal.sosfilt(signal.butter(2, [80, 4500], "bandpass", fs=RATE, output="sos"), np.tanh(6 * line)) * 0.2
    amplifier = np.concatenate([np.zeros(late), -box[:-late]]) + noise(n, 1e-4)
    soundfile.write(tmp_path / "bass_di.wav", line, RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "bass_amp.wav", amplifier, RATE, subtype="PCM_24")
    found = survey(of_folder(tmp_path))
    (one,) = found.lines
    assert (one.channel, one.reference, one.inverted) == ("bass_amp", "bass_di", True)
    assert one.delay_frames == pytest.approx(late, abs=6)  # the loudspeaker turns the phase, too
    assert one.confidence >= 0.9
    assert [told_of.stem for told_of in advice(found) if told_of.about == "polarity"] == ["bass_amp"]


@pytest.mark.parametrize("case", CASES)
def test_odd_folders_are_defined(case, tmp_path, chainrun):
    folder = files(tmp_path, CASES[case])
    ran = chainrun("survey", folder, "--write", tmp_path / "x.overlay.toml", "--align", "all", "--json")
    assert ran.code == 0
    told_of = ran.json
    assert len(told_of["stems"]) == len(CASES[case])
    assert not [one for one in told_of["advice"] if one["about"] in ("polarity", "imbalance")]
    assert ("silence" in {one["about"] for one in told_of["advice"]}) == (case == "silence")
    ran = chainrun("draft", folder)
    assert ran.code == 0, ran.err
    recipe = next(folder.glob("*.recipe.toml"))
    assert chainrun("check", recipe).code == 0
    code = chainrun("render", recipe, "-o", tmp_path / "out", "--quiet").code
    assert code == (0 if case not in ("silence", "one frame") else 1)  # no loudness to aim at


def test_bad_calls(tmp_path, chainrun):
    folder = files(tmp_path, {"kick": noise(RATE, 0.1), "snare": noise(RATE, 0.1, seed=1)})
    (folder / "mine.overlay.toml").write_text("# edited by hand\n")
    for arguments, code, text in (
        (("survey", tmp_path / "nothing"), 3, "no such file"),
        (("survey", folder, "--reference", "snar"), 2, "did you mean 'snare'"),
        (("survey", folder, "--align", "every"), 2, "none, close, all"),
        (("survey", folder, "--variant", "x"), 2, "a folder takes no --variant"),
        (("survey", folder, "--write", folder / "kick.wav"), 2, "not overwritten"),
        (("survey", folder, "--write", folder / "mine.overlay.toml"), 2, "not overwritten"),
        (("draft", folder / "kick.wav"), 2, "no such folder"),
        (("draft", folder, "--write", folder), 2, "not a folder"),
    ):
        ran = chainrun(*arguments)
        assert (ran.code, text in ran.err) == (code, True), (arguments, ran.code, ran.err)
    empty = tmp_path / "empty"
    empty.mkdir()
    assert chainrun("survey", empty).code == 4
    chainrun("draft", folder, "--write", tmp_path / "mine.recipe.toml")
    again = chainrun("draft", folder, "--write", tmp_path / "mine.recipe.toml")
    assert (again.code, "never overwrites one" in again.err) == (2, True)


# -- drafts ----------------------------------------------------------------------------------------------------


def test_the_draft_of_the_demo(tmp_path, chainrun):
    shutil.copytree(DEMO, tmp_path / "takes")
    assert chainrun("draft", tmp_path / "takes", "--write", tmp_path / "song.recipe.toml").code == 0
    text = (tmp_path / "song.recipe.toml").read_text()
    for words in (
        'preset = "kick/close"',
        "invert = true  # inverted against snare_top",
        "trim_db = [0.0, -1.6]",
        "mains_hz = 50",
        'do = "declip"',
        'do = "dc_block"',
        'key = { from = ["snare_top"], tap = "before_chain" }',
        "[buses.kit]",
    ):
        assert words in text, words
    ran = chainrun("render", tmp_path / "song.recipe.toml", "-o", tmp_path / "out", "--json")
    assert ran.code == 0
    delivery = ran.json["deliveries"][0]
    measured = delivery["measured"]
    assert measured["integrated_lufs"] == pytest.approx(delivery["target_lufs"], abs=0.1)
    assert delivery["limited_max_db"] <= 3.05
    assert measured["true_peak_dbtp"] <= -1
    for node in ran.json["nodes"].values():
        assert node["measured"]["sample_peak_dbfs"] > -60  # nothing was gated away
    for name, max_db in (("kick", 20), ("snare_top", 12)):
        door = next(one for one in ran.json["nodes"][name]["readings"] if "door" in json.dumps(one))
        assert max_db - 1 < door["gain_reduction_max_db"] <= max_db + 0.01, name  # the gates close, and by no more


def test_a_draft_of_odd_names(tmp_path, chainrun):
    """Names in other languages, and files whose names say nothing, which stay unknown."""
    names = {
        "kick": "Grosse Caisse",
        "snare_top": "caisse claire dessus",
        "snare_under": "caisse claire dessous",
        "hat": "mic 4",
        "floor_tom": "tom basse",
        "over_left": "OH L",
        "over_right": "OH R",
        "bass_di": "Kontrabass DI",
        "rack_tom": "mic 9",
    }
    folder = tmp_path / "prises"
    folder.mkdir()
    for old, new in names.items():
        shutil.copy(DEMO / f"{old}.flac", folder / f"{new}.flac")
    assert chainrun("draft", folder, "--write", tmp_path / "song.recipe.toml").code == 0
    text = (tmp_path / "song.recipe.toml").read_text()
    assert "[stems.mic_4]" in text and text.count("unknown: the name says nothing") == 2
    assert "[stems.oh]" in text and "kit" in text
    assert "invert = true  # inverted against caisse_claire_dessus" in text
    assert chainrun("render", tmp_path / "song.recipe.toml", "-o", tmp_path / "out", "--quiet").code == 0
