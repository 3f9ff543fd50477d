"""The survey of a kit finds the planted faults, delays, bleed and imbalance, and invents none.

Arrival: the truth is distance over the speed of sound (343.2 m/s, ISO 9613-1). The rule of three to one, a pad
forgotten before the converter, mains frequencies: common practice.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from chainrun.survey.advice import advice
from chainrun.survey.channels import of_folder
from chainrun.survey.survey import survey
from tests.signals import ROOT, noise
from tests.survey.random_sessions import CLOSE, table, told
from tests.survey.sounds import DEMO, RATE

TRUTH = json.loads((DEMO / "truth.json").read_text())
SAMPLES = Path("/usr/share/sonic-pi/samples")


def test_all_planted_faults_are_found_and_none_invented(demo_survey):
    told_of = {(one.stem, one.about) for one in advice(demo_survey)} - {("floor_tom", "unsure")}
    faults = {(stem, about) for stem, about in told_of if about not in ("arrival", "image", "adding", "bleed")}
    planted = TRUTH["planted"]
    assert faults == {
        (planted["inverted"][0], "polarity"),
        ("over", "imbalance"),
        (planted["clipped"]["stem"], "clipped"),
        (planted["hum"]["stem"], "hum"),
        (planted["dc"]["stem"], "dc"),
        (planted["other_rate"]["stem"], "rate"),
    }


def test_figures_of_the_planted_faults(demo_survey):
    def alone(name):
        file, index = demo_survey.sides[name]
        return file.channels[index]

    hum = alone("bass_di").hum
    assert hum.mains_hz == TRUTH["planted"]["hum"]["hz"]
    assert hum.levels_dbfs[:3] == pytest.approx(TRUTH["planted"]["hum"]["levels_dbfs"], abs=1.5)
    assert alone("floor_tom").dc_dbfs == pytest.approx(20 * np.log10(TRUTH["planted"]["dc"]["offset"]), abs=0.3)
    x = soundfile.read(DEMO / "barn.flac")[0]
    full = np.flatnonzero(np.diff(np.concatenate([[0], (np.abs(x) >= 1 - 1.5 / 32768).astype(int), [0]])))
    lengths = full[1::2] - full[::2]
    assert alone("barn").clipped_runs == np.count_nonzero(lengths >= 3)
    assert alone("barn").clipped_longest == lengths.max()


def test_delays_and_polarities_of_the_demo(demo_survey):
    group = demo_survey.groups[0]
    assert group.reference == "over.left"
    delays = TRUTH["delays_samples"]
    found = {one.channel: one for one in group.arrivals}
    assert set(found) == {*CLOSE, "over.right", "barn"}
    for name, one in found.items():
        file = name.replace(".", "_")
        true = delays[file][one.drum] - delays["over_left"][one.drum]
        assert one.delay_frames == pytest.approx(true, abs=0.5 if name in CLOSE else 2), name
        assert one.inverted == (name in TRUTH["planted"]["inverted"]), name
    for one in group.by_drum:
        true = delays[one.channel.replace(".", "_")][one.drum] - delays["over_left"][one.drum]
        assert one.delay_frames == pytest.approx(true, abs=2), one


def test_the_pairs_imbalance(demo_survey):
    from chainrun.survey.advice import imbalance

    found = imbalance(demo_survey.groups[0], "over")
    error, spread, n_drums = found.db, found.spread_db, found.n_drums
    assert found.sure
    assert error == pytest.approx(TRUTH["planted"]["hot_overhead"]["error_db"], abs=0.2)
    assert spread < 0.4
    assert n_drums >= 3


def test_bleed(demo_survey):
    """Level of a drum in a microphone against its own one: the truth's RMS, where it is 6 dB above every other."""
    rms, gains = TRUTH["bleed_rms"], TRUTH["gains"]
    own = {"kick": "kick", "snare": "snare_top", "hat": "hat", "rack_tom": "rack_tom", "floor_tom": "floor_tom"}
    checked = close = 0
    for drum, levels in demo_survey.groups[0].bleed.items():
        for channel, level in levels.items():
            name = channel.replace(".", "_")
            true = 20 * np.log10(rms[name][drum] * gains[name] / (rms[own[drum]][drum] * gains[own[drum]]))
            others = max(rms[name][other] for other in own if other != drum)
            if rms[name][drum] >= 2 * others:
                assert level == pytest.approx(true, abs=2), (drum, channel)
                checked += 1
            elif true > -20:
                close += abs(level - true) <= 3.5
    assert checked >= 5
    assert close >= 22  # the others, which are not demanded


def test_the_effect_of_adding_two_stems(demo_survey):
    """The same by hand: the kick's files, added as they are, below 300 Hz."""
    pair = next(one for one in demo_survey.groups[0].adding if (one.channel, one.other) == ("snare_under", "snare_top"))
    assert pair.before_db < -9 and pair.after_db > 2.5  # two opposite polarities, and two of one
    kick = next(one for one in demo_survey.groups[0].adding if one.channel == "kick")
    apart = abs(TRUTH["delays_samples"]["kick"]["kick"] - TRUTH["delays_samples"]["over_left"]["kick"]) / RATE
    assert kick.first_notch_hz == pytest.approx(1 / (2 * apart), rel=0.01)
    assert kick.after_db > kick.before_db + 3
    low = signal.butter(4, [40, 300], "bandpass", fs=RATE, output="sos")
    a, b = (signal.sosfiltfilt(low, soundfile.read(DEMO / f"{name}.flac")[0]) for name in ("kick", "over_left"))
    gains = []
    for at, _ in TRUTH["hits_s"]["kick"]:
        part = slice(int((at - 0.04) * RATE), int((at + 0.19) * RATE))
        gains.append(10 * np.log10(np.sum((a + b)[part] ** 2) / (np.sum(a[part] ** 2) + np.sum(b[part] ** 2))))
    assert kick.before_db == pytest.approx(np.median(gains), abs=0.7)


def test_seeded_sessions():
    """One of the kind of the thirty of `python -m tests.bench.survey`; tests/bench/RESULTS.md has the table of all."""
    found = told(range(101, 102))
    assert all(one.polarity_right for one in found), table(found)
    close = [one for one in found if one.close]
    assert sum(one.error_samples <= 1 for one in close) >= 0.95 * len(close)
    sure = [one for one in found if one.confidence >= 0.9]
    assert len(sure) > 0.5 * len(found)
    assert all(one.error_samples <= (1 if one.close else 2) for one in sure)


def plain_recipe(folder):
    stems = "".join(
        f'[stems.{name}]\nfile = "{name}.flac"\n' for name in (*CLOSE, "barn", "bass_di", "fiddle", "accordion")
    )
    path = folder / "plain.recipe.toml"
    path.write_text(
        f'grammar = 1\nrate_hz = 48000\n{stems}[stems.over]\nfile = ["over_left.flac", "over_right.flac"]\n'
    )
    path.write_text(path.read_text() + '[main]\nchain = [ { do = "gain", gain_db = -15 } ]\n')
    return path


@pytest.mark.parametrize(
    "align", ["all", pytest.param("none", marks=pytest.mark.soak), pytest.param("close", marks=pytest.mark.soak)]
)
def test_the_overlay_corrects_the_faults(tmp_path, chainrun, align):
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    recipe, overlay = plain_recipe(tmp_path), tmp_path / "mend.overlay.toml"
    before = recipe.read_bytes()
    assert chainrun("survey", recipe, "--write", overlay, "--align", align).code == 0
    assert recipe.read_bytes() == before
    written = overlay.read_text()
    assert all("#" in line for line in written.splitlines() if "=" in line)
    assert ("shift_samples" in written) == (align != "none")
    assert chainrun("check", recipe).code == 0
    again = chainrun("survey", recipe, "--overlay", overlay, "--json").json
    assert not [one for one in again["advice"] if one["about"] in ("polarity", "imbalance")]
    for one in again["groups"][0]["arrivals"]:
        assert not one["inverted"]
        far = one["channel"] in ("barn", "over.right")
        if one["confidence_pct"] >= 75 and (align == "all" or (align == "close" and not far)):
            assert abs(one["delay_samples"]) < 0.5, one
    ran = chainrun("render", recipe, "--overlay", overlay, "-o", tmp_path / "out", "--quiet")
    assert ran.code == 0


def test_a_recipes_own_shift_and_trim_are_counted_in(tmp_path, chainrun):
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    recipe, overlay = plain_recipe(tmp_path), tmp_path / "mend.overlay.toml"
    recipe.write_text(
        recipe.read_text()
        .replace('"kick.flac"', '"kick.flac"\nshift_ms = 2.0\ninvert = true')
        .replace('over_right.flac"]', 'over_right.flac"]\ntrim_db = [3.0, 3.0]')
    )
    chainrun("survey", recipe, "--write", overlay, "--align", "close")
    text = overlay.read_text()
    assert 'remove = ["stems.kick.shift_ms"]' in text
    assert "invert = false" in text
    assert "trim_db = [3.0, 1.5]" in text
    again = chainrun("survey", recipe, "--overlay", overlay, "--json").json
    kick = next(one for one in again["groups"][0]["arrivals"] if one["channel"] == "kick")
    assert abs(kick["delay_samples"]) < 0.5 and not kick["inverted"]


def test_an_inverted_reference_is_the_odd_one(tmp_path):
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    for side in ("left", "right"):
        x, rate = soundfile.read(tmp_path / f"over_{side}.flac")
        soundfile.write(tmp_path / f"over_{side}.flac", -x, rate)
    told_of = [one.text for one in advice(survey(of_folder(tmp_path))) if one.about == "polarity"]
    assert any("over.left" in text and "the one to invert" in text for text in told_of)
    assert any(text.startswith("over.right: inverted like over.left") for text in told_of)
    assert not any(text.startswith(("kick", "snare_top", "hat")) for text in told_of)


def test_the_recipe_of_the_demo_is_in_order(chainrun):
    told_of = chainrun("survey", ROOT / "recipes" / "tithe-barn.recipe.toml", "--json").json
    assert not [one for one in told_of["advice"] if one["about"] == "polarity"]
    ran = chainrun("survey", ROOT / "recipes" / "tithe-barn.recipe.toml")
    assert max(map(len, ran.out.splitlines())) <= 80


def test_stated_distances_are_shown_beside_measured_ones(tmp_path, chainrun):
    """The recipe states 0.14 m for the kick's microphone; the truth has the overhead at 1.95 m."""
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    recipe = plain_recipe(tmp_path)
    recipe.write_text(
        recipe.read_text().replace('file = "kick.flac"\n', 'file = "kick.flac"\nmicrophone = { distance_m = 0.14 }\n')
    )
    told_of = chainrun("survey", recipe, "--json").json["groups"][0]["arrivals"]
    kick = next(one for one in told_of if one["channel"] == "kick")
    true = TRUTH["delays_samples"]["over_left"]["kick"] / RATE * TRUTH["speed_of_sound_m_s"]
    assert kick["reference_distance_by_sound_m"] == pytest.approx(true, abs=0.02)
    assert "distance of over.left from each drum:" in chainrun("survey", recipe).out


# -- real recordings -------------------------------------------------------------------------------------------


def one_shot(file):
    """A sample at our rate, its peak at full scale."""
    x, rate = soundfile.read(SAMPLES / f"{file}.flac", always_2d=True)
    y = signal.resample_poly(x.mean(axis=1), 160, 147) if rate == 44100 else x.mean(axis=1)
    return y / np.abs(y).max()


def played(rng, shots, n):
    """A pattern of 44 beats, each drum by itself."""
    sources = {name: np.zeros(n) for name in shots}
    for beat in range(44):
        at = int((0.3 + beat * 0.53) * RATE)
        playing = {"hat"} | ({"kick"} if beat % 4 in (0, 2) else set()) | ({"snare"} if beat % 4 in (1, 3) else set())
        playing |= {"rack_tom"} if beat % 11 == 7 else set()
        playing |= {"floor_tom"} if beat % 11 == 9 else set()
        for name in sorted(playing - ({"hat"} if beat % 11 in (7, 9) else set())):
            y = shots[name] * rng.uniform(0.6, 1.0)
            begin = at + int(rng.normal(0, 120))
            sources[name][begin : begin + y.size] += y[: n - begin]
    return sources


@pytest.mark.skipif(not SAMPLES.is_dir(), reason="needs Debian's sonic-pi-samples (CC0 one-shots)")
def test_a_session_of_real_drums(tmp_path):
    """CC0 one-shots of Debian's sonic-pi-samples, put together with known delays, bleed and polarity."""
    rng = np.random.default_rng(5)
    kit = {
        "kick": "drum_bass_hard",
        "snare": "drum_snare_hard",
        "hat": "drum_cymbal_closed",
        "rack_tom": "drum_tom_hi_hard",
        "floor_tom": "drum_tom_lo_hard",
    }
    n = 24 * RATE
    sources = played(rng, {name: one_shot(file) for name, file in kit.items()}, n)
    close, inverted = dict.fromkeys(kit, 6.0), {"hat": True}
    far = {"over_left": {}, "over_right": {}}

    def arriving(name, frames, gain):
        spectrum = np.fft.rfft(sources[name], 2 * n)
        turn = np.exp(-2j * np.pi * np.arange(spectrum.size) * frames / (2 * n))
        return gain * np.fft.irfft(spectrum * turn)[:n]

    delays = {}
    for name in kit:
        x = arriving(name, close[name], 0.5)
        for other in kit:
            if other != name:
                x = x + arriving(other, rng.uniform(60, 160), 0.5 * 10 ** (-rng.uniform(14, 20) / 20))
        x = x + noise(n, 10 ** (-75 / 20), seed=3)
        soundfile.write(tmp_path / f"{name}.wav", -x if inverted.get(name) else x, RATE, subtype="PCM_24")
    for microphone in far:
        x = noise(n, 10 ** (-75 / 20), seed=4)
        for name in kit:
            delays[microphone, name] = rng.uniform(150, 320)
            x = x + arriving(name, delays[microphone, name], 0.12)
            x = x + arriving(name, delays[microphone, name] + 210, 0.04)  # a wall
        soundfile.write(tmp_path / f"{microphone}.wav", x, RATE, subtype="PCM_24")
    group = survey(of_folder(tmp_path)).groups[0]
    found = {one.channel: one for one in group.arrivals}
    for name in kit:
        one = found[name]
        assert one.delay_frames == pytest.approx(close[name] - delays["over_left", name], abs=2), name
        assert one.inverted == bool(inverted.get(name)), name
        assert one.confidence >= 0.75, name
