"""Deliveries to the letter: targets, limits, formats, rates, folds, fades, the broadcast chunk, tags, cautions."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.audiofile.bext import UNSET, Broadcast, insert_bext, loudness_word
from chainrun.dsp.dither import Quantiser
from chainrun.loudness import Meter
from chainrun.recipe import open_recipe
from tests.signals import drums, noise, sine

RATE = 48000


@pytest.fixture
def mix(session, chainrun):
    """Renders a recipe of one stem with these lines in its delivery; returns the delivery's record and the run."""

    def render(lines, file="mix.wav", stem=None, more=""):
        x = stem if stem is not None else np.stack([drums(RATE * 6, seed=1), drums(RATE * 6, seed=2)]) * 0.3
        soundfile.write("stem.wav", x.T, RATE, subtype="PCM_24")
        path = session.write(
            f'recipe = 1\n[stems.a]\nfile = "stem.wav"\n{more}\n[[deliver]]\nfile = "{file}"\n{lines}\n'
        )
        ran = chainrun("render", path, "-o", "out", "--json")
        return (ran.json["deliveries"][0] if ran.code in (0, 1) else None), ran

    return render


def measured_with_another_meter(path):
    x, rate = soundfile.read(path, always_2d=True)
    meter = Meter(rate, x.shape[1], oversample=16)
    meter.feed(np.ascontiguousarray(x.T))
    return meter.result()


def test_a_public_standard_by_its_name(mix):
    # EBU R 128 v4 (August 2020): -23 LUFS, -1 dBTP.
    record, ran = mix('standard = "EBU R 128"')
    assert ran.code == 0
    assert record["measured"]["integrated_lufs"] == pytest.approx(-23, abs=0.01)
    assert record["measured"]["true_peak_dbtp"] <= -1


@pytest.mark.parametrize("target", [-16.0, -12.0])
@pytest.mark.parametrize("bits", [16, 24])
def test_a_limiter_brings_both_the_target_and_the_peak(mix, target, bits):
    record, ran = mix(f'target_lufs = {target}\nmax_dbtp = -1\nfit = "limit"\nbits = {bits}')
    assert ran.code == 0, ran.err
    found = measured_with_another_meter("out/mix.wav")
    assert found.integrated_lufs == pytest.approx(target, abs=0.05)
    assert found.true_peak_dbtp <= -1 + 0.1
    assert record["limited_max_db"] > 1


def test_a_target_out_of_reach_is_told_and_not_chased(mix):
    """A sparse click train behind a ceiling of -20 dBTP never has -14 LUFS: no gain of a hundred dB is tried."""
    clicks = np.zeros((2, RATE * 4))
    clicks[:, ::RATE] = 0.5
    record, ran = mix('target_lufs = -14\nmax_dbtp = -20\nfit = "limit"', stem=clicks)
    assert ran.code == 1
    assert "no gain before the limiter reaches the target" in ran.json["failures"][0]
    assert record["gain_db"] < 60


@pytest.mark.parametrize(
    "lines",
    [
        'channels = "mono"',
        "rate_hz = 44100",
        'fit = "limit"\nmax_dbtp = -1',
        "fade_in_s = 1\nfade_out_s = 1",
        "from_s = 1\nto_s = 5",
    ],
)
def test_a_stretch_has_the_gain_of_its_whole_delivery(session, chainrun, lines):
    x = np.stack([drums(RATE * 6, seed=1), drums(RATE * 6, seed=2)]) * 0.3 * np.linspace(0.1, 1, RATE * 6)
    soundfile.write("stem.wav", x.T, RATE, subtype="PCM_24")
    path = session.write(
        f'recipe = 1\n[stems.a]\nfile = "stem.wav"\n[[deliver]]\nfile = "mix.wav"\nbits = 32\ntarget_lufs = -20\n{lines}\n'
    )
    whole = chainrun("render", path, "-o", "out", "--json").json["deliveries"][0]
    ran = chainrun("render", path, "-o", "out", "--from", 2, "--to", 4, "--json")
    assert ran.code == 0, ran.err
    assert ran.json["deliveries"][0]["gain_db"] == pytest.approx(whole["gain_db"], abs=1e-6)
    a, rate = soundfile.read("out/mix.wav", always_2d=True)
    b, _ = soundfile.read("out/mix.2-4s.wav", always_2d=True)
    begin = int((2 - (1 if "from_s" in lines else 0)) * rate)
    inner = slice(rate // 2, -rate // 2)  # at a stretch's ends converter and limiter have other neighbours
    assert np.abs(a[begin : begin + len(b)][inner] - b[inner]).max() < 1e-4


def test_the_limiters_work_is_shown(mix, chainrun):
    mix('target_lufs = -12\nmax_dbtp = -1\nfit = "limit"')
    ran = chainrun("render", "song.recipe.toml", "-o", "out")
    assert "mix.wav: the limiter takes" in ran.out


def test_a_gain_alone_stops_at_the_peak_and_says_so(mix):
    record, ran = mix("target_lufs = -9\nmax_dbtp = -1")
    assert ran.code == 1
    assert record["shortfall_lu"] > 1
    assert record["measured"]["true_peak_dbtp"] <= -1
    assert record["limited_max_db"] is None


@pytest.mark.parametrize("rate", [44100, 96000])
def test_another_rate(mix, rate):
    x = sine(997, 4, -20)
    _, ran = mix(f"rate_hz = {rate}\nbits = 32", stem=np.stack([x, x]))
    assert ran.code == 0
    y, found = soundfile.read("out/mix.wav")
    assert (found, len(y)) == (rate, round(4 * rate))
    t = np.arange(len(y)) / rate
    inside = slice(rate // 2, -rate // 2)
    assert np.abs(y[:, 0] - 0.1 * np.sin(2 * np.pi * 997 * t))[inside].max() < 1e-5


def test_a_mono_fold_by_its_law(mix):
    left, right = noise(RATE, 0.1, seed=1), noise(RATE, 0.1, seed=2)
    for law in (-6.0, -3.0):
        _, ran = mix(f'channels = "mono"\nmono_law_db = {law}\nbits = 32', stem=np.stack([left, right]))
        assert ran.code == 0
        y, _ = soundfile.read("out/mix.wav")
        assert y.ndim == 1
        assert np.abs(y - 10 ** (law / 20) * (left + right)).max() < 1e-6


def test_a_part_with_fades(mix):
    ones = np.full((2, RATE * 4), 0.25)
    _, ran = mix("from_s = 1.0\nto_s = 3.0\nfade_in_s = 0.5\nfade_out_s = 0.5\nbits = 32", stem=ones)
    assert ran.code == 0
    y, _ = soundfile.read("out/mix.wav")
    assert len(y) == 2 * RATE
    assert (y[0, 0], y[-1, 0]) == (0, 0)
    assert y[RATE // 4, 0] == pytest.approx(0.125, abs=1e-6)
    assert y[RATE, 0] == 0.25
    assert np.abs(np.diff(y[:, 0])).max() < 1e-4


@pytest.mark.parametrize("ending", ["ogg", "mp3"])
def test_lossy_formats_hold_the_peak_after_decoding(mix, ending):
    record, ran = mix('target_lufs = -14\nmax_dbtp = -1\nfit = "limit"', file=f"mix.{ending}")
    assert ran.code == 0, ran.err
    found = measured_with_another_meter(f"out/mix.{ending}")
    assert found.true_peak_dbtp <= -1 + 0.1
    assert record["measured"]["integrated_lufs"] == pytest.approx(found.integrated_lufs, abs=0.01)
    assert found.integrated_lufs == pytest.approx(-14, abs=0.1)
    assert soundfile.info(f"out/mix.{ending}").format == ending.upper()


def test_ogg_of_ten_minutes_does_not_crash(mix):
    """libsndfile 1.2.2 crashes on long blocks of Vorbis; it gets short ones."""
    _, ran = mix("", file="mix.ogg", stem=np.stack([noise(RATE * 120, 0.05)] * 2))
    assert ran.code == 0


@pytest.mark.parametrize(
    ("lines", "file", "said"),
    [
        ("rate_hz = 96000", "mix.mp3", "up to 48000"),
        ("bext = true", "mix.flac", "bext goes with .wav"),
        ("from_s = 3\nto_s = 2", "mix.wav", "to_s comes behind from_s"),
        ('fit = "limit"', "mix.wav", "needs target_lufs"),
        ('standard = "LOUD"', "mix.wav", "EBU R 128"),
    ],
)
def test_deliveries_that_cannot_be(mix, lines, file, said):
    _, ran = mix(lines, file=file)
    assert (ran.code, said in json.dumps(ran.json)) == (3, True)


def test_mp3_at_a_rate_that_it_does_not_know(session, chainrun):
    path = session.write('recipe = 1\nrate_hz = 96000\n[stems.a]\nfile = "kick.wav"\n[[deliver]]\nfile = "a.mp3"\n')
    ran = chainrun("check", path)
    assert (ran.code, "does not know this rate" in ran.err, ":6:" in ran.err) == (3, True, True)


# -- the broadcast chunk ----------------------------------------------------------------------------------------


def chunks_of(path):
    """A small reader of its own: chunk names and contents of RIFF and RF64."""
    data = Path(path).read_bytes()
    form, size, kind = struct.unpack_from("<4sI4s", data)
    assert kind == b"WAVE"
    found, at, ds64 = {}, 12, None
    while at + 8 <= len(data):
        name, length = struct.unpack_from("<4sI", data, at)
        if name == b"ds64":
            ds64 = struct.unpack_from("<QQ", data, at + 8)
        if name == b"data" and length == 0xFFFFFFFF:
            length = ds64[1]
        found[name] = data[at + 8 : at + 8 + length]
        at += 8 + length + length % 2
    assert (size if form == b"RIFF" else ds64[0]) == len(data) - 8
    return list(found), found


def test_the_broadcast_chunk_stands_at_the_published_offsets(mix):
    # EBU Tech 3285 v2 (May 2011), 2.3: offsets inside the chunk.
    record, ran = mix(
        'bext = true\ntags = { title = "Reel", artist = "The band", date = "2026-11-25" }\ntarget_lufs = -20'
    )
    assert ran.code == 0
    names, found = chunks_of("out/mix.wav")
    assert names.index(b"bext") < names.index(b"data")
    bext = found[b"bext"]
    assert len(bext) == 602
    assert bext[:256].rstrip(b"\0") == b"Reel"
    assert bext[256:288].rstrip(b"\0") == b"The band"
    assert bext[320:330] == b"2026-11-25"
    assert struct.unpack_from("<H", bext, 346) == (2,)
    words = struct.unpack_from("<5h", bext, 412)
    measured = record["measured"]
    for word, key in zip(
        words,
        ("integrated_lufs", "range_lu", "true_peak_dbtp", "momentary_max_lufs", "short_term_max_lufs"),
        strict=True,
    ):
        assert word == pytest.approx(100 * measured[key], abs=0.51), key
    x, rate = soundfile.read("out/mix.wav")  # and another reader finds the audio behind it
    assert (rate, x.shape) == (RATE, (measured["n_frames"], 2))
    assert soundfile.SoundFile("out/mix.wav").title == "Reel"


def test_loudness_words_round_away_from_zero():
    # Tech 3285 v2, 2.4: -22.645 is -2265 (F727h), -22.644 -2264, 12.765 1277 (04FDh); unset 7FFFh.
    assert [loudness_word(v) for v in (-22.645, -22.644, 12.765)] == [-2265, -2264, 1277]
    assert struct.pack("<h", -2265) == bytes.fromhex("27F7")
    assert loudness_word(None) == loudness_word(-np.inf) == UNSET


def test_the_chunk_in_rf64(tmp_path):
    x = noise(2000, 0.1)
    soundfile.write(tmp_path / "a.wav", x, RATE, format="RF64", subtype="PCM_24")
    before, _ = soundfile.read(tmp_path / "a.wav")
    insert_bext(tmp_path / "a.wav", Broadcast("d", "o", "r", "", -23.0, None, -1.0, None, None))
    names, found = chunks_of(tmp_path / "a.wav")
    assert names[0] == b"ds64"
    assert struct.unpack_from("<5h", found[b"bext"], 412) == (-2300, UNSET, -100, UNSET, UNSET)
    after, _ = soundfile.read(tmp_path / "a.wav")
    assert np.array_equal(before, after)


@pytest.mark.parametrize("file", ["mix.wav", "mix.flac"])
def test_the_same_bytes_twice_and_exact_samples(mix, file):
    lines = 'sidecar = true\ntags = { title = "Reel", comment = "take 3" }' + ("\nbext = true" if "wav" in file else "")
    first, _ = mix(lines, file=file)
    data = Path(f"out/{file}").read_bytes()
    second, _ = mix(lines, file=file)
    assert Path(f"out/{file}").read_bytes() == data
    assert first["pcm_sha256"] == second["pcm_sha256"]
    x, _ = soundfile.read(f"out/{file}", dtype="int32")
    assert not (x & 0xFF).any()  # 24 bits, exactly
    side = json.loads(Path("out/mix.json").read_text())
    assert side["pcm_sha256"] == first["pcm_sha256"]
    assert side["measured"]["integrated_lufs"] == first["measured"]["integrated_lufs"]
    assert soundfile.SoundFile(f"out/{file}").comment == "take 3"


# -- dither ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("bits", "published"), [(16, -93.32), (24, -141.48)])
def test_the_noise_floor_of_dithered_silence(bits, published):
    # TPDF two steps wide: q^2 / 4 (Lipshitz, Wannamaker, Vanderkooy, JAES 40(5), 1992), re a full-scale sine.
    steps = Quantiser(bits, dither=True, seed=1).run(np.zeros((1, 2_000_000)))
    rms = np.std(steps / 2 ** (bits - 1))
    assert 20 * np.log10(rms / np.sqrt(0.5)) == pytest.approx(published, abs=0.1)


def test_the_first_two_moments_of_the_error_do_not_depend_on_the_signal():
    for level in (0.0, 0.25, 0.5, 0.77):
        x = np.full((1, 1_000_000), level / 32768)
        error = Quantiser(16, dither=True, seed=2).run(x)[:, 0] - level
        assert error.mean() == pytest.approx(0, abs=0.003)
        assert error.var() == pytest.approx(0.25, abs=0.002)
    plain = Quantiser(16, dither=False, seed=2).run(np.full((1, 1000), 0.25 / 32768))[:, 0] - 0.25
    assert plain.mean() == pytest.approx(-0.25)  # without dither it does


# -- cautions -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stem", "said"),
    [
        (np.stack([noise(RATE * 3, 0.3)] * 2), "very loud"),
        (np.stack([sine(997, 3, -0.02)] * 2), "can clip converters"),
        (np.stack([0.05 + sine(997, 3, -40)] * 2), "dc_block"),
        (np.stack([sine(19000, 3, -20)] * 2), "above 18 kHz"),
        (np.stack([sine(10, 3, -20)] * 2), "below 15 Hz"),
    ],
)
def test_what_can_hurt_is_said(mix, stem, said):
    _, ran = mix("bits = 32", stem=stem)
    assert any(said in warning for warning in ran.json["warnings"])


def test_a_quiet_mix_is_not_warned_about(mix):
    _, ran = mix("target_lufs = -20")
    assert not [warning for warning in ran.json["warnings"] if "caution" in warning]


def test_stems_and_buses_to_give_away(session, chainrun):
    path = session.write(
        'recipe = 1\n[stems.kick]\nfile = "kick.wav"\nto = "kit"\n[stems.snare]\nfile = "snare.wav"\nto = "kit"\n[buses.kit]\n'
        '[[deliver]]\nfile = "{name}.flac"\nwhat = "stems.*"\n[[deliver]]\nfile = "kit.wav"\nwhat = "buses.kit"\n'
    )
    assert chainrun("render", path, "-o", "out").code == 0
    assert sorted(one.name for one in Path("out").iterdir()) == ["kick.flac", "kit.wav", "snare.flac"]
    assert open_recipe(path).recipe.deliver[0].loudness() == (None, None)


PLAY_ALONG = """recipe = 1
[stems.kick]
file = "kick.wav"
to = "kit"
[stems.snare]
file = "snare.wav"
to = "kit"
[stems.pair]
file = "pair.wav"
[buses.kit]
chain = [ { do = "compressor", threshold_db = -20 } ]
[[deliver]]
file = "mix.wav"
bits = 32
[[deliver]]
file = "without-kit.wav"
without = ["kit"]
bits = 32
[[deliver]]
file = "kick-alone.wav"
only = ["kick"]
bits = 32
"""


def test_mixes_to_play_along_with(session, chainrun):
    path = session.write(PLAY_ALONG)
    ran = chainrun("render", path, "-o", "out", "--json")
    assert ran.code == 0, ran.err
    assert [Path(one["file"]).name for one in ran.json["deliveries"]] == [
        "mix.wav",
        "without-kit.wav",
        "kick-alone.wav",
    ]
    for name, only in (("without-kit", "pair"), ("kick-alone", "kick")):
        assert (
            chainrun(
                "render",
                path,
                "-o",
                "alone",
                "--only",
                only,
                "--set",
                "deliver.1.only=[]",
                "--set",
                "deliver.1.without=[]",
            ).code
            == 0
        )
        (alone,) = Path("alone").glob(f"*/mix.only-{only}.wav")
        expected, _ = soundfile.read(alone)
        alone.unlink()
        found, _ = soundfile.read(f"out/{name}.wav")
        assert np.array_equal(found, expected), name
    session.write(PLAY_ALONG.replace('["kit"]', '["kitt"]'))
    ran = chainrun("check", path)
    assert (ran.code, "did you mean 'kit'?" in ran.err) == (3, True)


def test_one_gain_for_a_set_keeps_the_levels_of_its_songs(session, chainrun):
    for name, level in (("loud", -3), ("soft", -12)):
        session.write(
            f'recipe = 1\n[stems.pair]\nfile = "pair.wav"\nlevel_db = {level}\n[[deliver]]\nfile = "mix.wav"\ntarget_lufs = -14\n',
            name,
        )
    Path("set.jobs.toml").write_text(
        'jobs = 1\none_gain = { target_lufs = -20, max_dbtp = -1 }\n[[job]]\nrecipes = ["loud.recipe.toml", "soft.recipe.toml"]\n'
    )
    ran = chainrun("batch", "set.jobs.toml", "--json")
    assert ran.code == 0, ran.out
    loud, soft = (record["result"]["deliveries"][0] for record in ran.json["jobs"])
    assert loud["gain_db"] == soft["gain_db"]
    assert loud["measured"]["integrated_lufs"] == pytest.approx(-20, abs=0.05)
    assert soft["measured"]["integrated_lufs"] == pytest.approx(-29, abs=0.05)
    again = chainrun("batch", "set.jobs.toml", "--json").json["jobs"]
    assert [record["state"] for record in again] == ["kept", "kept"]


def test_a_tag_that_reads_like_a_chunk_stays(mix):
    """Float WAV has a PEAK chunk with a time in it, which is cleared: that chunk, and no word in a title."""
    _, ran = mix('bits = 32\ntags = { title = "PEAK HOUR", artist = "PEAKS" }')
    assert ran.code == 0
    with soundfile.SoundFile("out/mix.wav") as file:
        assert (file.title, file.artist) == ("PEAK HOUR", "PEAKS")
    first = Path("out/mix.wav").read_bytes()
    mix('bits = 32\ntags = { title = "PEAK HOUR", artist = "PEAKS" }')
    assert Path("out/mix.wav").read_bytes() == first


def test_a_delivery_behind_the_end_is_refused(mix):
    _, ran = mix("from_s = 60")
    assert (ran.code, "behind the session's end" in ran.err) == (3, True)
