"""Conversions between the units of recipe keys and the units of kernels."""

import math

LOG2_PER_DB = math.log2(10.0) / 20.0
"""One decibel in units of log2 of the amplitude."""

SILENCE_DB = -math.inf


def db_to_gain(db: float) -> float:
    """Amplitude factor of a level difference in dB: 10**(db / 20)."""
    return math.pow(10.0, db / 20.0)


def gain_to_db(gain: float) -> float:
    """Level in dB of an amplitude factor; minus infinity for 0."""
    return 20.0 * math.log10(gain) if gain > 0.0 else SILENCE_DB


def power_ratio_db(part: float, whole: float) -> float:
    """Ratio of two powers in dB: minus infinity if `part` is 0, else infinity if `whole` is 0."""
    if part <= 0.0:
        return SILENCE_DB
    return 10.0 * math.log10(part / whole) if whole > 0.0 else math.inf


def ms_to_frames(ms: float, rate_hz: int) -> int:
    """Nearest whole number of frames in a time given in milliseconds."""
    return round(ms * rate_hz / 1000.0)


def s_to_frames(seconds: float, rate_hz: int) -> int:
    """Nearest whole number of frames in a time given in seconds."""
    return round(seconds * rate_hz)


def speed_of_sound(temperature_c: float) -> float:
    """Speed of sound in dry air in m/s: 343.2 * sqrt(T / 293.15) (ISO 9613-1:1993)."""
    return 343.2 * math.sqrt((temperature_c + 273.15) / 293.15)


UNIT_WORDS = {
    "_db_per_octave": "dB/octave",
    "_dbfs": "dBFS",
    "_dbtp": "dBTP",
    "_lufs": "LUFS",
    "_lu": "LU",
    "_db": "dB",
    "_hz": "Hz",
    "_ms": "ms",
    "_samples": "samples",
    "_beats": "beats",
    "_bpm": "beats/min",
    "_pct": "%",
    "_deg": "degrees",
    "_bits": "bits",
    "_ppm": "ppm",
    "_s": "s",
    "_m": "m",
    "_c": "degrees C",
}
"""Unit of each ending of a key, longest endings first."""


def unit_of(key: str) -> str:
    """Unit in a key's name ('attack_ms' -> 'ms'); '' for a key without a unit."""
    return next((word for ending, word in UNIT_WORDS.items() if key.endswith(ending)), "")
