"""Steps as pictures: responses over frequency, level against level, gain over time."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from chainrun.contract import Reading, Step, Stream
from chainrun.dsp.arrays import Array
from chainrun.report.content import FREQUENCY, MAX_POINTS, SAMPLE, TIME, Axis, Figure, Panel, Series, highest
from chainrun.runtime import ChainRunner
from chainrun.runtime.whole_signal import run_on_time
from chainrun.units import db_to_gain

LONG = 1 << 16
LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0
SINE_DBFS = np.arange(-48.0, 1.0, 2.0)
HARMONICS = 9
AT_DBFS = -18.0
FLOOR_DB = -140.0


def walk(steps: Sequence[Step], names: Sequence[str]) -> Iterator[tuple[str, Step]]:
    """Every step that is not bypassed, also those of inner chains, with its name in the recipe."""
    for step, name in zip(steps, names, strict=True):
        if step.bypass:
            continue
        yield name, step
        for path, chain in step.inner_chains():
            yield from walk(chain, [f"{name}.{path}.{one.name or i}" for i, one in enumerate(chain)])


def _run(step: Step, x: Array, rate_hz: int) -> Array:
    """A step alone on a signal of shape (n_channels, n_frames), without its latency, all of it wet."""
    alone = step.model_copy(update={"mix_pct": 100.0})
    return run_on_time(ChainRunner([alone], Stream(rate_hz, x.shape[0], n_frames=x.shape[1])), x)


def response(step: Step, rate_hz: int) -> tuple[Array, Array]:
    """Frequencies and gain in dB of a linear step, from its impulse response."""
    x = np.zeros((1, LONG))
    x[0, LONG // 4] = 1.0
    y = _run(step, x, rate_hz)[0]
    hz = np.geomspace(LOWEST_HZ, min(HIGHEST_HZ, 0.49 * rate_hz), MAX_POINTS // 2)
    spectrum = np.abs(np.fft.rfft(y, 4 * LONG))
    gains = np.interp(hz, np.fft.rfftfreq(4 * LONG, 1.0 / rate_hz), spectrum)
    return hz, 20.0 * np.log10(np.maximum(gains, db_to_gain(FLOOR_DB)))


def response_figure(name: str, title: str, step: Step, rate_hz: int) -> Figure:
    """The response of a step, and of each of its bands."""
    hz, whole = response(step, rate_hz)
    series = [Series("whole step", hz, whole)]
    for part in step.parts():
        series.append(Series(part.in_words(), hz, response(part, rate_hz)[1], faint=True))
    low, high = float(min(one.y.min() for one in series)), float(max(one.y.max() for one in series))
    limits = (max(-36.0, min(-3.0, math.floor(low - 1))), max(3.0, math.ceil(high + 1)))
    alt = f"Gain over frequency: from {whole.min():.1f} to {whole.max():.1f} dB"
    return Figure(name, title, alt, FREQUENCY, [Panel(Axis("gain", "dB"), series, limits=limits)], log_hz=True)


def curve(step: Step, rate_hz: int) -> tuple[Array, Array]:
    """Peak levels of a 1 kHz sine before and after a step, in dBFS."""
    n = rate_hz // 2
    wave = np.sin(2.0 * np.pi * 1000.0 * np.arange(n) / rate_hz)
    out = []
    for level in SINE_DBFS:
        y = _run(step, db_to_gain(float(level)) * wave[None, :], rate_hz)
        out.append(20.0 * math.log10(max(float(np.abs(y[:, n // 2 :]).max()), 1e-7)))
    return SINE_DBFS.copy(), np.array(out)


def harmonics(step: Step, rate_hz: int) -> tuple[Array, Array]:
    """Level of the harmonics of 1 kHz at a peak of -18 dBFS, in dB relative to the first."""
    n = rate_hz
    wave = db_to_gain(AT_DBFS) * np.sin(2.0 * np.pi * 1000.0 * np.arange(n) / rate_hz)
    y = _run(step, wave[None, :], rate_hz)[0][n // 2 :]
    lines = np.abs(np.fft.rfft(y * np.hanning(y.size)))
    numbers = np.arange(1, HARMONICS + 1)
    bins = np.round(numbers * 1000.0 * y.size / rate_hz).astype(int)
    levels = np.array([lines[k - 2 : k + 3].max() if k + 3 < lines.size else 0.0 for k in bins])
    return numbers.astype(np.float64), 20.0 * np.log10(np.maximum(levels / max(levels[0], 1e-12), 1e-7))


def curve_figures(name: str, title: str, step: Step, rate_hz: int) -> list[Figure]:
    """Two figures of a shaping step: level after it over level before it, and the harmonics it adds to a tone."""
    levels, out = curve(step, rate_hz)
    numbers, added = harmonics(step, rate_hz)
    alt = f"Peak level after the step over peak level before it, 1 kHz: 0 dBFS becomes {out[-1]:.1f} dBFS"
    series = [Series("with the step", levels, out), Series("without it", levels, levels, faint=True)]
    loudest = f"{added[1:].max():.0f} dB" if np.isfinite(added[1:].max()) else "none"
    words = f"Harmonics of 1 kHz relative to the first; the loudest added one: {loudest}"
    return [
        Figure(
            f"{name}-curve",
            f"{title}: level before and after",
            alt,
            Axis("peak before", "dBFS"),
            [Panel(Axis("peak after", "dBFS"), series)],
        ),
        Figure(
            f"{name}-harmonics",
            f"{title}: harmonics of 1 kHz at {AT_DBFS:g} dBFS",
            words,
            Axis("harmonic"),
            [
                Panel(
                    Axis("level relative to the first", "dB"),
                    [Series("level", numbers, np.maximum(added, FLOOR_DB), bars=True)],
                    limits=(FLOOR_DB, 3.0),
                )
            ],
        ),
    ]


@dataclass(frozen=True)
class Wave:
    """The lowest and highest sample of each hundredth of a second."""

    low: Array
    high: Array
    per_second: float

    def between(self, begin_s: float, end_s: float) -> tuple[Array, Array, Array]:
        """Times, minima and maxima of a stretch, thinned to the points of a drawing."""
        begin, end = int(begin_s * self.per_second), min(self.high.size, math.ceil(end_s * self.per_second))
        t = np.arange(begin, end) / self.per_second
        x, high = highest(t, self.high[begin:end])
        return x, -highest(t, -self.low[begin:end])[1], high


def reduction_between(reading: Reading, begin_s: float, end_s: float) -> tuple[Array, Array]:
    """Times and gain reduction in dB of a stretch."""
    per_second = reading.points_per_second
    values = np.asarray(reading.curve_max_db, dtype=np.float64)
    begin, end = int(begin_s * per_second), min(values.size, math.ceil(end_s * per_second))
    return highest(np.arange(begin, end) / per_second, values[begin:end])


def busiest(reading: Reading, span_s: float) -> float:
    """Begin, in seconds, of the stretch of this length in which the gain moves most."""
    values = np.asarray(reading.curve_max_db, dtype=np.float64)
    width = max(1, int(span_s * reading.points_per_second))
    if values.size <= width:
        return 0.0
    moves = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(values, prepend=values[:1])))])
    return float(np.argmax(moves[width:] - moves[:-width])) / reading.points_per_second


def reading_figure(
    name: str,
    title: str,
    before: Wave,
    after: Wave,
    reading: Reading,
    *,
    begin_s: float,
    end_s: float,
    words: tuple[str, str] = ("before the chain", "after the chain"),
) -> Figure:
    """Waveforms before and after a chain, and under them the gain reduction of one of its steps over time."""
    x, low, high = before.between(begin_s, end_s)
    waves = [Series(words[0], x, low, high, faint=True)]
    x, low, high = after.between(begin_s, end_s)
    waves.append(Series(words[1], x, low, high))
    t, taken = reduction_between(reading, begin_s, end_s)
    alt = (
        f"Waveform and gain reduction over time: at most {reading.gain_reduction_max_db:.1f} dB, active "
        f"{reading.gain_reduction_working_pct:.0f} % of the time"
    )
    depth = max(3.0, float(taken.max(initial=0.0)) * 1.1)
    panels = [
        Panel(SAMPLE, waves, height=1.1),
        Panel(
            Axis("gain reduction", "dB"),
            [Series("gain reduction", t, taken)],
            height=0.9,
            limits=(depth, min(0.0, float(taken.min(initial=0.0))) - 0.2),
        ),
    ]
    return Figure(name, title, alt, TIME, panels)
