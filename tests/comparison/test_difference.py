"""Differences between two sounds: additions, shifts, inverted polarity, levels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from chainrun.comparison.difference import difference
from chainrun.comparison.image import ImageChangeKind
from chainrun.comparison.limits import Floor
from chainrun.comparison.verdict import where_in_bands, where_in_time
from chainrun.dsp.sketch import Sketch, energies_apart
from chainrun.errors import AudioError
from tests.comparison.files import write
from tests.signals import RATE, drums, noise


@pytest.mark.parametrize("level_db", [-20, -60, -100])
def test_a_sketch_gives_the_difference_of_two_sounds(level_db):
    x = np.stack([noise(20 * RATE, 0.1, seed=1), noise(20 * RATE, 0.1, seed=2)])
    apart = 10 ** (level_db / 20) * np.stack([noise(20 * RATE, 0.1, seed=3), noise(20 * RATE, 0.1, seed=4)])
    sketches = []
    for y, size in ((x, 77_777), (x + apart, 5_000)):
        sketch = Sketch(RATE, 2)
        for at in range(0, y.shape[1], size):
            sketch.feed(y[:, at : at + size])
        sketches.append(sketch.result())
    found = 10 * np.log10(energies_apart(*sketches).sum() / np.sum(apart**2))
    assert found == pytest.approx(0, abs=1.5)  # 320 degrees of freedom: a standard deviation of 0.35 dB


def test_a_difference_is_what_was_added(tmp_path):
    """White noise 40 dB below white noise from 3.0 to 5.0 s: the residual by hand."""
    x = np.stack([noise(8 * RATE, 0.1, seed=1), noise(8 * RATE, 0.1, seed=2)])
    y = x.copy()
    y[:, 3 * RATE : 5 * RATE] += 0.01 * np.stack([noise(2 * RATE, 0.1, seed=5), noise(2 * RATE, 0.1, seed=6)])
    found = difference(write(tmp_path / "a.wav", x), write(tmp_path / "b.wav", y), match=False)
    assert found.unweighted_residual_dbfs == pytest.approx(20 * np.log10(np.sqrt(np.mean((x - y) ** 2))), abs=0.01)
    assert found.residual_lu == pytest.approx(-40 + 10 * np.log10(2 / 8), abs=0.3)
    loud = [i for i, level in enumerate(found.by_second_lu) if level > -60]
    assert loud == [3, 4]
    assert found.by_second_lu[3] == pytest.approx(-40, abs=0.3)
    assert found.sentence().startswith(
        "differs, but no third octave changes by more than 0.0 dB, from 0:03 to 0:05; residual -46.0 LU"
    )
    assert found.by_band_db["1000"] == pytest.approx(-46, abs=1.5)


@pytest.mark.parametrize("late", [0.0, 1.0, 37.25, -480.5])
@pytest.mark.parametrize("gain_db", [0.0, -4.5])
def test_matching_takes_time_and_level_away(tmp_path, late, gain_db):
    x = signal.sosfilt(signal.butter(2, [60, 9000], "bandpass", fs=RATE, output="sos"), noise(6 * RATE, 0.2, seed=3))
    x[: RATE // 2] = x[-RATE // 2 :] = 0
    n = 1 << 19
    spectrum = np.fft.rfft(x, n) * np.exp(-2j * np.pi * np.fft.rfftfreq(n) * late)
    y = 10 ** (gain_db / 20) * np.fft.irfft(spectrum, n)[: x.size]
    a, b = write(tmp_path / "a.wav", np.stack([x, x])), write(tmp_path / "b.wav", np.stack([y, y]))
    found = difference(a, b)
    assert found.offset_frames == pytest.approx(late, abs=0.01)
    assert found.gain_db == pytest.approx(-gain_db, abs=0.01)
    assert found.residual_lu < -60 and found.aligned
    if late or gain_db:
        assert difference(a, b, match=False).residual_lu > -30


def test_a_shifted_copy_is_the_same(tmp_path):
    """The end that the shift pushes out has no counterpart, and does not count: neither for the level nor as residual."""
    x = noise(20 * RATE, 0.1, seed=6) * np.linspace(0.05, 1.0, 20 * RATE)
    y = np.concatenate([np.zeros(RATE), x[:-RATE]])
    found = difference(write(tmp_path / "a.wav", np.stack([x, x])), write(tmp_path / "b.wav", np.stack([y, y])))
    assert (found.offset_frames, found.gain_db) == (RATE, 0.0)
    assert found.residual_lu < -100 and found.inaudible(Floor())
    assert found.notes() == ["compared from 0.00 to 19.00 s of A, where both have sound"]


def test_an_offset_is_found_after_a_long_silence(tmp_path):
    x = np.concatenate([np.zeros(60 * RATE), noise(10 * RATE, 0.1, seed=6)])
    found = difference(write(tmp_path / "a.wav", x), write(tmp_path / "b.wav", np.concatenate([np.zeros(250), x])))
    assert found.offset_frames == pytest.approx(250, abs=0.01)


def test_a_click_counts_however_long_the_file_is(tmp_path):
    x = noise(120 * RATE, 0.2, seed=8)
    x[60 * RATE : 62 * RATE] = 0
    y = x.copy()
    y[61 * RATE] = 0.125
    found = difference(write(tmp_path / "a.wav", x, subtype="PCM_24"), write(tmp_path / "b.wav", y, subtype="PCM_24"))
    assert found.residual_lu < -60
    assert not found.inaudible(Floor()) and "from 1:01 to 1:02" in found.sentence()


def test_the_level_is_matched_where_only_the_level_differs(tmp_path):
    """+1.2 dB above 4 kHz from 7 s on: the report says where, by how much and from when, and no shift of the rest."""
    x = noise(12 * RATE, 0.1, seed=9)
    n = x.size
    hz = np.fft.rfftfreq(n, 1 / RATE)
    lifted = np.fft.irfft(np.fft.rfft(x) * np.where(hz > 3550, 10 ** (1.2 / 20), 1.0), n)
    y = np.concatenate([x[: 7 * RATE], lifted[7 * RATE :]])
    found = difference(write(tmp_path / "a.wav", np.stack([x, x])), write(tmp_path / "b.wav", np.stack([y, y])))
    assert found.gain_db == 0.0
    assert found.sentence().startswith("differs from 4 kHz up, by up to +1.2 dB, from 0:07 on")
    z = 0.5 * np.concatenate([x[: 5 * RATE], 1.06 * x[5 * RATE :]])  # 6 dB quieter, the end 5.5 dB
    found = difference(write(tmp_path / "a.wav", np.stack([x, x])), write(tmp_path / "c.wav", np.stack([z, z])))
    assert found.gain_db in (pytest.approx(6.02, abs=0.01), pytest.approx(5.51, abs=0.01))
    assert "0:0" in found.sentence() and "throughout" not in found.sentence()


@pytest.mark.parametrize("late", [0, 480])
def test_polarity_and_sides_are_named(tmp_path, late):
    x = np.stack([noise(6 * RATE, 0.1, seed=9), noise(6 * RATE, 0.1, seed=10) * 0.7])
    a = write(tmp_path / "a.wav", x)
    moved = np.concatenate([np.zeros((2, late)), x], axis=1)
    found = difference(a, write(tmp_path / "b.wav", -moved))
    assert (
        [one.kind for one in found.image] == [ImageChangeKind.INVERTED]
        and "B has inverted polarity" in found.sentence()
        and found.offset_frames == late
    )
    if not late:
        found = difference(a, write(tmp_path / "c.wav", moved[::-1]))
        assert [one.kind for one in found.image] == [
            ImageChangeKind.SIDES_SWAPPED
        ] and "B has left and right swapped" in found.sentence()
    other = difference(a, write(tmp_path / "d.wav", np.stack([noise(6 * RATE, seed=20)] * 2)))
    assert not other.aligned and "no common sound" in other.notes()[0]


@pytest.mark.parametrize(
    ("image", "told"),
    [
        ([[1, 0], [0, -1]], "has inverted polarity on the right"),
        ([[0, -1], [-1, 0]], "has left and right swapped and has inverted polarity"),
        ([[0.5, 0.5], [0.5, 0.5]], "mono"),
        ([[1, 0], [0, 0.5]], "6.0 dB louder on the left"),
        ([[1, 0], [0, 0]], "has no right side"),
    ],
)
def test_faults_of_the_image_are_in_the_sentence(tmp_path, image, told):
    x = np.stack([noise(6 * RATE, 0.1, seed=9), noise(6 * RATE, 0.1, seed=10)]) + noise(6 * RATE, 0.03, seed=11)
    found = difference(write(tmp_path / "a.wav", x), write(tmp_path / "b.wav", np.array(image, dtype=float) @ x))
    assert told in found.sentence() and found.offset_frames == 0


def test_an_excerpt_is_found_where_it_was_taken_from(tmp_path):
    """Drums on a steady grid fit in many places, and an excerpt of them only in one."""
    rng = np.random.default_rng(3)
    hits = np.repeat(rng.uniform(0.5, 1.0, 48), RATE // 4)
    x = drums(12 * RATE, bpm=120, seed=4) * hits * 0.3
    a = write(tmp_path / "a.wav", np.stack([x, x]))
    found = difference(a, write(tmp_path / "b.wav", np.stack([x, x])[:, : 5 * RATE]))
    assert (found.offset_frames, found.gain_db) == (0, 0) and "from 0:05 on" in found.sentence()
    assert "frames shorter than A" in found.notes()[0]
    found = difference(a, write(tmp_path / "c.wav", np.stack([x, x])[:, RATE : 6 * RATE]))
    assert found.offset_frames == -RATE


def test_words_for_bands_and_times():
    bands = {str(hz): 0.0 for hz in (100, 200, 400, 800, 1600, 3150, 6300)}
    assert where_in_bands(bands) is None
    assert where_in_bands(bands | {"3150": 1.2, "6300": 0.7}) == "from 3.15 kHz up, by up to +1.2 dB"
    assert where_in_bands(bands | {"400": -2.0}) == "at 400 Hz, by up to -2.0 dB"
    assert where_in_bands(bands | {"100": 1.0, "200": 0.6}) == "up to 200 Hz, by up to +1.0 dB"
    both = {"100": 1.0, "6300": -2.0}
    assert where_in_bands(bands | both) == "at 100 Hz, by up to +1.0 dB and at 6.3 kHz, by up to -2.0 dB"
    assert where_in_time((-90.0, -90.0, -50.0, -90.0, -90.0), Floor()) == "from 0:02 to 0:03"
    assert where_in_time((-40.0,) * 5, Floor()) == "throughout"


def test_other_rates_lengths_and_channels(tmp_path):
    x = signal.sosfilt(signal.butter(4, 8000, fs=RATE, output="sos"), noise(4 * RATE, 0.2))
    a = write(tmp_path / "a.wav", np.stack([x, x]))
    b = write(tmp_path / "b.wav", signal.resample(x, 4 * 44100), rate=44100)
    found = difference(a, b)
    assert found.residual_lu < -50
    assert difference(a, write(tmp_path / "c.wav", np.stack([x, x])[:, : 3 * RATE])).residual_lu > -10
    assert found.notes() == [
        "one file is mono, and was compared on both sides",
        "B was converted from 44100 to 48000 Hz",
    ]
    with pytest.raises(AudioError, match="only mono and stereo"):
        difference(a, write(tmp_path / "six.wav", np.zeros((6, RATE))))
    silent = write(tmp_path / "d.wav", np.zeros((2, RATE)))
    assert difference(silent, silent).sentence() == "identical samples"
    assert difference(a, silent).residual_lu == pytest.approx(0, abs=0.1)
    assert difference(silent, a).residual_lu == np.inf
