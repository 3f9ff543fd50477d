"""The survey against the truth of generated sessions, and against recordings put together with known faults.

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
from chainrun.survey.alone import Listener, Runs
from chainrun.survey.channels import of_folder
from chainrun.survey.roles import role_of, stem_name, tokens
from chainrun.survey.survey import survey
from tests.bench.survey import CLOSE, table, told
from tests.signals import noise

ROOT = Path(__file__).parent.parent
DEMO = ROOT / "fixtures" / "tithe-barn"
TRUTH = json.loads((DEMO / "truth.json").read_text())
RATE = 48000
SAMPLES = Path("/usr/share/sonic-pi/samples")


@pytest.fixture(scope="module")
def demo_survey():
    return survey(of_folder(DEMO))


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

    error, spread, n_drums = imbalance(demo_survey.groups[0], "over")
    assert error == pytest.approx(TRUTH["planted"]["hot_overhead"]["error_db"], abs=0.2)
    assert spread < 0.4
    assert n_drums >= 3


def test_bleed(demo_survey):
    """Level of a drum in a microphone against its own one: the truth's RMS, where it stands 6 dB over every other."""
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


def test_what_adding_does(demo_survey):
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
    """Three of the kind of the thirty of `python -m tests.bench.survey`; DEVELOPERS.md has the table of all."""
    found = told(range(101, 104))
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
    path.write_text(f'recipe = 1\nrate_hz = 48000\n{stems}[stems.over]\nfile = ["over_left.flac", "over_right.flac"]\n')
    path.write_text(path.read_text() + '[main]\nchain = [ { do = "gain", gain_db = -15 } ]\n')
    return path


@pytest.mark.parametrize("align", ["none", "close", "all"])
def test_the_overlay_mends_what_was_found(tmp_path, chainrun, align):
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
        if one["confidence"] >= 0.75 and (align == "all" or (align == "close" and not far)):
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


def test_a_reference_that_is_upside_down_is_the_odd_one(tmp_path):
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    for side in ("left", "right"):
        x, rate = soundfile.read(tmp_path / f"over_{side}.flac")
        soundfile.write(tmp_path / f"over_{side}.flac", -x, rate)
    told_of = [one.text for one in advice(survey(of_folder(tmp_path))) if one.about == "polarity"]
    assert any("over.left" in text and "the one to turn over" in text for text in told_of)
    assert any(text.startswith("over.right: upside down as over.left is") for text in told_of)
    assert not any(text.startswith(("kick", "snare_top", "hat")) for text in told_of)


def test_the_recipe_of_the_demo_is_in_order(chainrun):
    told_of = chainrun("survey", ROOT / "recipes" / "tithe-barn.recipe.toml", "--json").json
    assert not [one for one in told_of["advice"] if one["about"] == "polarity"]
    ran = chainrun("survey", ROOT / "recipes" / "tithe-barn.recipe.toml")
    assert max(map(len, ran.out.splitlines())) <= 80


def test_distances_that_are_told_stand_beside_what_is_heard(tmp_path, chainrun):
    """The kick's microphone is told to stand 0.14 m from it; the truth has the overhead at 1.95 m."""
    shutil.copytree(DEMO, tmp_path, dirs_exist_ok=True)
    recipe = plain_recipe(tmp_path)
    recipe.write_text(
        recipe.read_text().replace('file = "kick.flac"\n', 'file = "kick.flac"\nsource = { distance_m = 0.14 }\n')
    )
    told_of = chainrun("survey", recipe, "--json").json["groups"][0]["arrivals"]
    kick = next(one for one in told_of if one["channel"] == "kick")
    true = TRUTH["delays_samples"]["over_left"]["kick"] / RATE * TRUTH["speed_of_sound_m_s"]
    assert kick["reference_distance_by_sound_m"] == pytest.approx(true, abs=0.02)
    assert "by sound, over.left stands so far from each drum:" in chainrun("survey", recipe).out


# -- real recordings -------------------------------------------------------------------------------------------


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
    shots = {}
    for name, file in kit.items():
        x, rate = soundfile.read(SAMPLES / f"{file}.flac", always_2d=True)
        y = signal.resample_poly(x.mean(axis=1), 160, 147) if rate == 44100 else x.mean(axis=1)
        shots[name] = y / np.abs(y).max()
    n = 24 * RATE
    sources = {name: np.zeros(n) for name in kit}
    for beat in range(44):
        at = int((0.3 + beat * 0.53) * RATE)
        playing = {"hat"} | ({"kick"} if beat % 4 in (0, 2) else set()) | ({"snare"} if beat % 4 in (1, 3) else set())
        playing |= {"rack_tom"} if beat % 11 == 7 else set()
        playing |= {"floor_tom"} if beat % 11 == 9 else set()
        for name in playing - ({"hat"} if beat % 11 in (7, 9) else set()):
            y = shots[name] * rng.uniform(0.6, 1.0)
            begin = at + int(rng.normal(0, 120))
            sources[name][begin : begin + y.size] += y[: n - begin]
    close, inverted = dict.fromkeys(kit, 6.0), {"hat": True}
    far = {"over_left": {}, "over_right": {}}

    def heard(name, frames, gain):
        spectrum = np.fft.rfft(sources[name], 2 * n)
        turn = np.exp(-2j * np.pi * np.arange(spectrum.size) * frames / (2 * n))
        return gain * np.fft.irfft(spectrum * turn)[:n]

    delays = {}
    for name in kit:
        x = heard(name, close[name], 0.5)
        for other in kit:
            if other != name:
                x = x + heard(other, rng.uniform(60, 160), 0.5 * 10 ** (-rng.uniform(14, 20) / 20))
        x = x + noise(n, 10 ** (-75 / 20), seed=3)
        soundfile.write(tmp_path / f"{name}.wav", -x if inverted.get(name) else x, RATE, subtype="PCM_24")
    for microphone in far:
        x = noise(n, 10 ** (-75 / 20), seed=4)
        for name in kit:
            delays[microphone, name] = rng.uniform(150, 320)
            x = x + heard(name, delays[microphone, name], 0.12)
            x = x + heard(name, delays[microphone, name] + 210, 0.04)  # a wall
        soundfile.write(tmp_path / f"{microphone}.wav", x, RATE, subtype="PCM_24")
    group = survey(of_folder(tmp_path)).groups[0]
    found = {one.channel: one for one in group.arrivals}
    for name in kit:
        one = found[name]
        assert one.delay_frames == pytest.approx(close[name] - delays["over_left", name], abs=2), name
        assert one.inverted == bool(inverted.get(name)), name
        assert one.confidence >= 0.75, name


# -- one file alone --------------------------------------------------------------------------------------------


def alone(x, rate=RATE, full_scale=1 - 1e-5, sizes=(5000, 131072, 77)):
    listener = Listener(rate, full_scale)
    at, k = 0, 0
    while at < x.size:
        listener.feed(x[at : at + sizes[k % len(sizes)]])
        at, k = at + sizes[k % len(sizes)], k + 1
    return listener.result()


def test_runs_over_blocks():
    holds = np.array([0, 1, 1, 1, 0, 1, 1, 1, 1, 1, 0, 1, 1, 1], dtype=bool)
    for size in (1, 2, 3, 5, 14):
        runs, sizes = Runs(3), np.arange(holds.size) / 100
        for at in range(0, holds.size, size):
            runs.feed(holds[at : at + size], sizes[at : at + size])
        runs.end()
        assert (runs.begins, runs.lengths) == ([1, 5, 11], [3, 5, 3])
        assert runs.entries == [0.0, 0.04, 0.1]


def test_flat_tops_below_full_scale():
    """A pad forgotten before the converter: waves are cut at -4 dBFS. Sound that is whole has none."""
    rng = np.random.default_rng(2)
    t = np.arange(5 * RATE) / RATE
    hits = sum(np.sin(2 * np.pi * f * t) for f in (61, 147, 312)) * np.exp(-(t % 0.4) / 0.08) * 0.4
    hits += 0.001 * rng.standard_normal(t.size)
    for bits in (16, 24):
        steps = 2 ** (bits - 1)
        cut = np.round(np.clip(hits, -0.631, 0.631) * steps) / steps
        whole = np.round(hits * steps) / steps
        assert alone(cut).flat_level_dbfs == pytest.approx(-4.0, abs=0.05)
        assert alone(whole).flat_level_dbfs is None
    low = np.round(np.sin(2 * np.pi * 50 * t) * 0.3 * 32768) / 32768  # rounded by nature, a steady tone of 16 bits
    assert alone(low).flat_level_dbfs is None


def test_dropouts():
    x = noise(3 * RATE, 0.1)
    assert alone(x).dropouts_at_s == ()
    x[70000:70200] = 0
    x[131000:131400] = 0  # over the border of two blocks
    assert alone(x).dropouts_at_s == pytest.approx((70000 / RATE, 131000 / RATE), abs=1e-3)
    x[:10000] = 0
    x[-5000:] = 0  # silence at both ends is none
    assert len(alone(x).dropouts_at_s) == 2


@pytest.mark.parametrize("mains", [50, 60])
def test_hum_is_told_from_music(mains):
    t = np.arange(8 * RATE) / RATE
    hum = sum(10 ** (level / 20) * np.sin(2 * np.pi * mains * k * t + k) for k, level in ((1, -50), (2, -62), (3, -56)))
    found = alone(hum + noise(t.size, 1e-4)).hum
    assert found.mains_hz == mains
    assert found.levels_dbfs[:3] == pytest.approx((-50, -62, -56), abs=1)
    bass = 0.2 * np.sin(2 * np.pi * np.repeat([41.2, 49.0, 55.0, 98.0], 2 * RATE) * t)  # E, G, A, G
    assert alone(bass + noise(t.size, 1e-4)).hum is None
    assert alone(noise(t.size, 0.1)).hum is None


def test_a_lossy_copys_bandwidth():
    x = noise(4 * RATE, 0.1)
    assert alone(x).bandwidth_hz is None
    cut = signal.sosfiltfilt(signal.ellip(10, 0.1, 80, 15500, fs=RATE, output="sos"), x)
    assert alone(cut).bandwidth_hz == pytest.approx(15800, abs=500)
    soft = signal.sosfilt(signal.butter(2, 6000, fs=RATE, output="sos"), x)  # a dark microphone
    assert alone(soft).bandwidth_hz is None


def test_what_is_no_clipping(tmp_path):
    """Float files over full scale, and slow waves whose tops are rounded by 16 bits."""
    t = np.arange(3 * RATE) / RATE
    hot = 1.9 * np.exp(-t) * np.sin(2 * np.pi * 200 * t)
    assert (alone(hot).clipped_runs, alone(hot).flat_level_dbfs) == (0, None)
    bass = np.round(np.sin(2 * np.pi * 41.2 * t) * 32767) / 32768
    assert alone(bass, full_scale=1 - 1.5 / 32768).clipped_runs == 0
    cut = np.clip(1.2 * np.sin(2 * np.pi * 41.2 * t), -1, 1)
    assert alone(cut).clipped_runs == 247 or alone(cut).clipped_runs == 248
    square = 0.3 * np.sign(np.sin(2 * np.pi * 110 * t))
    assert alone(square).flat_level_dbfs is None


def test_what_is_no_hum_and_no_cut():
    t = np.arange(8 * RATE) / RATE
    organ = sum(0.1 / k * np.sin(2 * np.pi * 100 * k * t) for k in (1, 2, 3))
    assert alone(organ + noise(t.size, 1e-4)).hum is None
    bells = sum(np.exp(-(t % 0.5) * 6) * np.sin(2 * np.pi * hz * t) for hz in (2100, 5300, 7900)) * 0.1
    assert alone(bells + noise(t.size, 1e-5)).bandwidth_hz is None


NASTY = {
    "kit": 1,
    "main": 1,
    "kick \N{DRUM WITH DRUMSTICKS}": 1,
    'say "so"': 1,
    "keys": 1,
    "voice": 1,
    "OH": 1,
    "room": 1,
    "guitar": 2,
    "fiddle": 1,
}


def test_drafts_of_nasty_names_and_mono_everything(tmp_path, chainrun):
    folder = tmp_path / "odd dir"
    folder.mkdir()
    for k, (name, channels) in enumerate(NASTY.items()):
        soundfile.write(
            folder / f"{name}.wav", np.stack([noise(RATE, 0.1, seed=k)] * channels).T, RATE, subtype="PCM_24"
        )
    ran = chainrun("draft", folder)
    assert ran.code == 0
    recipe = folder / "odd dir.recipe.toml"
    assert f"chainrun render '{recipe}'" in ran.out
    checked = chainrun("check", recipe)
    assert checked.code == 0, checked.err
    assert chainrun("render", recipe, "-o", tmp_path / "out", "--quiet").code == 0


def test_tiny_and_quiet_files(tmp_path, chainrun):
    files(tmp_path, {"kick": np.array([0.1] * 5), "snare": np.array([0.2] * 10)})
    assert chainrun("survey", tmp_path).code == 0
    quiet = tmp_path / "quiet"
    quiet.mkdir()
    files(quiet, {"bass": noise(2 * RATE, 1e-4), "voice": noise(2 * RATE, 1e-4, seed=2)})
    assert chainrun("draft", quiet).code == 0
    text = next(quiet.glob("*.recipe.toml")).read_text()
    assert "level_db = 24.0  # too quiet or short" in text


def test_unrelated_sounds_have_no_arrivals(tmp_path, chainrun):
    files(tmp_path, CASES["no common source"])
    ran = chainrun("survey", tmp_path, "--json")
    assert not [one for one in ran.json["advice"] if one["about"] in ("arrival", "unsure")]


def test_without_a_far_microphone_only_second_ones_are_aligned(tmp_path, chainrun):
    for name in ("kick", "snare_top", "snare_under", "hat"):
        shutil.copy(DEMO / f"{name}.flac", tmp_path)
    overlay = tmp_path / "x.overlay.toml"
    assert chainrun("survey", tmp_path, "--write", overlay, "--align", "close").code == 0
    text = overlay.read_text()
    assert text.count("shift_samples") == 1
    assert "[stems.snare_under]" in text.split("shift_samples")[0].splitlines()[-2] or "snare_under" in text


def test_copies_are_found(tmp_path):
    x = noise(RATE, 0.1)
    for name, y in (("guitar", x), ("guitar_2", x), ("voice", -x), ("keys", noise(RATE, 0.1, seed=2))):
        soundfile.write(tmp_path / f"{name}.wav", y, RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "piano.wav", np.stack([noise(RATE, 0.1, seed=3)] * 2).T, RATE)
    told_of = {(one.stem, one.about) for one in advice(survey(of_folder(tmp_path)))}
    assert {("guitar_2", "copy"), ("voice", "flipped_copy"), ("piano.left", "mono")} <= told_of
    assert not {one for one in told_of if one[0] == "keys"}


# -- what may come -----------------------------------------------------------------------------------------------

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
def test_what_names_say(name):
    role = role_of(name)
    assert (role.instrument, role.part, role.side) == NAMES[name]


def test_names_of_stems():
    assert stem_name("Großtrommel (1)") == "grosstrommel_1"
    assert stem_name("main") == "main_2"
    assert stem_name("日本") == "stem"
    assert tokens("KickIn07b") == ["kick", "in", "07", "b"]


def test_a_line_and_its_amplifier(tmp_path):
    """The whole of both is compared: an amplifier's microphone, 3.1 ms later, upside down, through a loudspeaker."""
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


def files(folder, sounds):
    for name, x in sounds.items():
        soundfile.write(folder / f"{name}.wav", x, RATE, subtype="PCM_24")
    return folder


CASES = {
    "silence": {"kick": np.zeros(RATE), "over_left": np.zeros(RATE)},
    "one frame": {"kick": np.array([0.5]), "snare": np.array([0.1])},
    "one stem": {"kick": noise(RATE, 0.1)},
    "no common source": {f"track_{k}": noise(2 * RATE, 0.1, seed=k) for k in range(3)},
    "forty stems": {f"mic {k:02}": noise(24000, 0.1, seed=k) for k in range(40)},
    "unrelated": {"kick": noise(RATE, 0.1), "snare": noise(RATE // 2, 0.1, seed=1), "oh_l": noise(RATE, 0.1, seed=2)},
}


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
        (("survey", folder, "--variant", "x"), 2, "bare folder"),
        (("survey", folder, "--write", folder / "kick.wav"), 2, "not written over"),
        (("survey", folder, "--write", folder / "mine.overlay.toml"), 2, "not written over"),
        (("draft", folder / "kick.wav"), 2, "no such folder"),
        (("draft", folder, "-o", folder), 2, "not a folder"),
    ):
        ran = chainrun(*arguments)
        assert (ran.code, text in ran.err) == (code, True), (arguments, ran.code, ran.err)
    empty = tmp_path / "empty"
    empty.mkdir()
    assert chainrun("survey", empty).code == 4
    chainrun("draft", folder, "-o", tmp_path / "mine.recipe.toml")
    again = chainrun("draft", folder, "-o", tmp_path / "mine.recipe.toml")
    assert (again.code, "never written over" in again.err) == (2, True)


# -- drafts ----------------------------------------------------------------------------------------------------


def test_the_draft_of_the_demo(tmp_path, chainrun):
    shutil.copytree(DEMO, tmp_path / "takes")
    assert chainrun("draft", tmp_path / "takes", "-o", tmp_path / "song.recipe.toml").code == 0
    text = (tmp_path / "song.recipe.toml").read_text()
    for words in (
        'preset = "kick/close"',
        "invert = true  # inverted against snare_top",
        "trim_db = [0.0, -1.6]",
        "mains_hz = 50",
        'do = "declip"',
        'do = "dc_block"',
        'key = { from = ["snare_top"], tap = "raw" }',
        "[buses.kit]",
    ):
        assert words in text, words
    ran = chainrun("render", tmp_path / "song.recipe.toml", "-o", tmp_path / "out", "--json")
    assert ran.code == 0
    measured = ran.json["deliveries"][0]["measured"]
    assert measured["integrated_lufs"] == pytest.approx(-16, abs=0.1)
    assert measured["true_peak_dbtp"] <= -1
    for node in ran.json["nodes"].values():
        assert node["measured"]["sample_peak_dbfs"] > -60  # nothing was gated away
    for name in ("kick", "snare_top", "rack_tom", "floor_tom"):
        door = next(one for one in ran.json["nodes"][name]["readings"] if "door" in json.dumps(one))
        assert door["gain_reduction_max_db"] > 20, name  # and the gates close


def test_a_draft_of_odd_names(tmp_path, chainrun):
    """Names in other languages, and files whose names say nothing: taken by their sound."""
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
    assert chainrun("draft", folder, "-o", tmp_path / "song.recipe.toml").code == 0
    text = (tmp_path / "song.recipe.toml").read_text()
    assert "[stems.mic_4]" in text and "hat, by its sound: the name says nothing" in text
    assert "[stems.oh]" in text and "kit" in text
    assert "invert = true  # inverted against caisse_claire_dessus" in text
    assert chainrun("render", tmp_path / "song.recipe.toml", "-o", tmp_path / "out", "--quiet").code == 0
