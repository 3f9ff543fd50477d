"""Parameters of steps in words, for pages that teach."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from chainrun.units import unit_of


def numbers_in_words(step: BaseModel, common: frozenset[str]) -> str:
    """All parameters that are written: `decay 0.6 s, width 3.2 m`; `default settings` if none is."""
    words = [
        phrase(key, getattr(step, key)) for key in type(step).model_fields if key in step.model_fields_set - common
    ]
    return ", ".join(one for one in words if one) or "default settings"


def phrase(key: str, value: Any) -> str:
    """`attack 9 ms` for attack_ms = 9; empty for a value that is not a number, text or truth value."""
    unit = unit_of(key)
    suffix = {"dB/octave": "_db_per_octave", "beats/min": "_bpm", "%": "_pct", "degrees": "_deg", "degrees C": "_c"}
    ending = next((one for one in (suffix.get(unit, ""), f"_{unit.lower()}") if one and key.endswith(one)), "")
    words = key.removesuffix(ending).replace("_", " ")
    if isinstance(value, bool):
        return words if value else f"no {words}"
    if isinstance(value, int | float):
        return f"{words} {value:g} {unit}".rstrip()
    return f"{words} {value.replace('_', ' ')}" if isinstance(value, str) else ""


def hertz(freq_hz: float) -> str:
    """Frequency with its unit: `4 kHz`, `315 Hz`."""
    return f"{freq_hz / 1000:g} kHz" if freq_hz >= 1000 else f"{freq_hz:g} Hz"
