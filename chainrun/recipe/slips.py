"""Hints for common slips in a value or a key: a unit after a number, `35L`, `yes`, `gain` for `level_db`.

Pure functions of what is written and of the declarations. They say nothing where they are not certain.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator
from functools import cache
from typing import Any, NamedTuple

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from chainrun.contract import processors
from chainrun.contract.parameters import models_in
from chainrun.recipe.model import Recipe
from chainrun.recipe.toml_text import toml_text
from chainrun.units import UNIT_WORDS, unit_of

_LEVELS = ("_db", "_dbfs", "_dbtp", "_lufs", "_lu")
_UNITS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("db", "dbfs", "dbtp", "lufs", "lu"), ("level", 1.0)),
    "hz": ("frequency", 1.0),
    "khz": ("frequency", 1000.0),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), ("time", 1.0)),
    **dict.fromkeys(("ms", "msec", "msecs"), ("time", 0.001)),
    **dict.fromkeys(("min", "minutes"), ("time", 60.0)),
    **dict.fromkeys(("%", "pct", "percent"), ("share", 1.0)),
    **dict.fromkeys(("m", "metres", "meters"), ("length", 1.0)),
    "cm": ("length", 0.01),
    **dict.fromkeys(("samples", "smp"), ("samples", 1.0)),
    **dict.fromkeys(("beats", "beat"), ("beats", 1.0)),
    "bpm": ("tempo", 1.0),
    **dict.fromkeys(("bits", "bit"), ("bits", 1.0)),
    **dict.fromkeys(("°", "deg", "degrees"), ("angle", 1.0)),
    "°c": ("temperature", 1.0),
}
"""Units as people write them: the quantity, and how many of its plain unit."""
_ENDINGS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(_LEVELS, ("level", 1.0)),
    "_hz": ("frequency", 1.0),
    "_ms": ("time", 0.001),
    "_s": ("time", 1.0),
    "_pct": ("share", 1.0),
    "_m": ("length", 1.0),
    "_samples": ("samples", 1.0),
    "_beats": ("beats", 1.0),
    "_bpm": ("tempo", 1.0),
    "_bits": ("bits", 1.0),
    "_deg": ("angle", 1.0),
    "_c": ("temperature", 1.0),
}
"""Units by the endings of keys that carry them."""
YES = ("yes", "on", "true")
NO = ("no", "off", "false")
_SIDES = {"l": -1, "left": -1, "r": 1, "right": 1}
_MIDDLE = ("c", "center", "centre", "middle", "mid")
MINUS = "\u2212\u2013\u2014\u2010\u2011\ufe63\uff0d"
"""Signs that look like a minus and are none: minus sign, dashes, hyphens."""
_NUMBER = re.compile(rf"(?P<number>[-+{MINUS}]?\s*(?:\d+(?:[.,]\d+)?|[.,]\d+))\s*(?P<unit>[A-Za-z%°]*)")


class Written(NamedTuple):
    """A key and a value as they should be written, and why."""

    key: str
    value: str
    why: str

    def text(self) -> str:
        """`key = value`."""
        return f"{self.key} = {self.value}" if self.key else self.value


def _models(model: type[BaseModel], seen: set[type[BaseModel]]) -> Iterator[type[BaseModel]]:
    if model in seen:
        return
    seen.add(model)
    yield model
    for one in model.model_fields.values():
        for inner in models_in(one.annotation):
            yield from _models(inner, seen)


@cache
def known_keys() -> frozenset[str]:
    """Every key that some table of a recipe or some step has."""
    seen: set[type[BaseModel]] = set()
    roots: list[type[BaseModel]] = [Recipe, *processors().values()]
    models = [one for root in roots for one in _models(root, seen)]
    return frozenset(one.alias or name for model in models for name, one in model.model_fields.items())


def figures(value: float) -> str:
    """A number in figures, without an exponent."""
    return f"{value:.10f}".rstrip("0").rstrip(".") if abs(value) < 1e15 else f"{value:g}"


def plain_number(text: str) -> float:
    """The number of a text with any minus, and a decimal comma or point."""
    for sign in MINUS:
        text = text.replace(sign, "-")
    return float(text.replace(",", ".").replace(" ", "").replace("\t", "").replace("\u00a0", ""))


def _ending(key: str) -> str:
    return next((ending for ending in UNIT_WORDS if key.endswith(ending)), "")


def with_unit(key: str, number: float, unit: str, keys: Collection[str] | None = None) -> Written | None:
    """A number that was written with its unit: under the key that has the unit in its name.

    None for a unit that is not known, or that does not go with the key.
    """
    keys = known_keys() if keys is None else keys
    small = unit.lower().replace("khertz", "khz").replace("hertz", "hz")
    if small == "k":
        return Written(key, figures(number * 1000), "a number is written out, without k")
    if small not in _UNITS:
        return None
    quantity, factor = _UNITS[small]
    ending = _ending(key)
    alone = "the unit is in the key, the number is written alone"
    if ending:
        of_key, key_factor = _ENDINGS.get(ending, ("", 1.0))
        if of_key != quantity:
            return None
        other = _same_quantity(key.removesuffix(ending), quantity, keys)
        if key not in keys and other:
            key, key_factor = other, _ENDINGS[_ending(other)][1]
        return Written(key, figures(number * factor / key_factor), alone)
    if key in keys:
        return Written(key, figures(number), "the number is written alone")
    other = _same_quantity(key, quantity, keys)
    if other is None:
        return None
    return Written(other, figures(number * factor / _ENDINGS[_ending(other)][1]), alone)


def _same_quantity(base: str, quantity: str, keys: Collection[str]) -> str | None:
    """The key of a base name with a unit of this quantity."""
    return next((base + end for end, (one, _) in _ENDINGS.items() if one == quantity and base + end in keys), None)


def pan_of(key: str, text: str) -> Written | None:
    """`35L`, `L35`, `C`, `left` as a pan or balance in percent."""
    if not key.startswith(("pan", "balance")):
        return None
    word = text.strip().lower()
    if word in _MIDDLE:
        value = 0.0
    elif word in _SIDES:
        value = _SIDES[word] * 100.0
    else:
        share = r"\d{1,3}(?:\.\d+)?"
        found = re.fullmatch(rf"(?P<a>{share})\s*%?\s*(?P<b>[lr])|(?P<c>[lr])\s*(?P<d>{share})%?", word)
        if found is None:
            return None
        value = _SIDES[found["b"] or found["c"]] * float(found["a"] or found["d"])
    name = key if key.endswith("_pct") else f"{key}_pct"
    return Written(name, figures(value), "left is negative, right is positive, 0 is the centre")


def ratio_of(key: str, text: str) -> Written | None:
    """`4:1` as 4; a time such as `1:30` as seconds."""
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*:\s*(\d+(?:\.\d+)?)\s*", text)
    if found is None:
        return None
    first, second = float(found[1]), float(found[2])
    if key.endswith("_s"):
        return Written(key, figures(first * 60 + second), "a time is written in seconds") if second < 60 else None
    if second <= 0 or first < second:
        return None
    return Written(key, figures(first / second), "a ratio is one number")


def truth_of(key: str, value: object) -> Written | None:
    """The switch that `yes`, `on`, `True`, 1 or an opposite means: true or false; None for anything else."""
    word = str(value).strip().lower()
    if isinstance(value, int) and value in (0, 1):
        word = ("no", "yes")[value]
    if word not in YES and word not in NO:
        return None
    why = "a switch is true or false, in small letters, without quotes"
    return Written(key, "true" if word in YES else "false", why)


def infinity_of(keys: Collection[str], key: str, field: FieldInfo | None, value: float) -> str | None:
    """Hint on what to write for `-inf`; None for any other value."""
    if not math.isinf(value) or value > 0:
        return None
    bounds = field.metadata if field is not None else []
    low = next((one.ge for one in bounds if hasattr(one, "ge")), None)
    high = next((one.le for one in bounds if hasattr(one, "le")), None)
    if low is not None and low >= 0:
        return f"the value is positive here, {high:g} at most" if high is not None else None
    lowest = f"the lowest value is {low:g}" if low is not None else ""
    if key == "level_db" and "mute" in keys:
        return f"mute = true silences it; {lowest}" if lowest else "mute = true silences it"
    return lowest or None


def number_of(key: str, text: str, keys: Collection[str] | None = None) -> Written | None:
    """A text that was meant as a number."""
    found = pan_of(key, text) or ratio_of(key, text)
    if found is not None:
        return found
    match = _NUMBER.fullmatch(text.strip())
    if match is None:
        return None
    number, unit = plain_number(match["number"]), match["unit"]
    if unit:
        return with_unit(key, number, unit, keys)
    why = "a decimal number has a point" if "," in match["number"] else "a number has no quotes"
    return Written(key, figures(number), why)


def value_hint(key: str, wanted: str, value: Any, keys: Collection[str], field: FieldInfo | None) -> str | None:
    """A hint for a value of the wrong type; `wanted` is the type in words: "a number", "true or false"."""
    if "true or false" in wanted and not isinstance(value, dict | list):
        found = truth_of(key, value)
        if found is None and key == "invert":
            found = _inverted(value)
        return _of(found)
    if "number" in wanted and isinstance(value, str):
        if re.fullmatch(rf"\s*[-{MINUS}]\s*(?:inf(?:inity)?|∞)\s*", value, re.IGNORECASE):
            return infinity_of(keys, key, field, -math.inf)
        return _of(number_of(key, value, keys))
    if "text" in wanted and isinstance(value, int | float) and not isinstance(value, bool):
        return f'text has quotes: {key} = "{value}"'
    if "array" in wanted and isinstance(value, str):
        return f"in brackets, also for one: {key} = [{toml_text(value)}]"
    return None


def _of(found: Written | None) -> str | None:
    return f"{found.why}: {found.text()}" if found is not None else None


def _inverted(value: object) -> Written | None:
    """`invert = true` for a phase of 180 degrees or a word for it."""
    word = str(value).strip().lower().removesuffix("°").removesuffix("deg").removesuffix(".0").strip()
    if word in ("180", "-180", "invert", "inverted", "reverse", "reversed", "flip", "flipped", "-", *YES):
        return Written("invert", "true", "polarity is a switch")
    return None


_OTHER_NAMES: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("volume", "vol", "fader", "level", "gain"), ("level_db", "gain_db")),
    **dict.fromkeys(("panning", "panorama"), ("pan_pct",)),
    **dict.fromkeys(("frequency", "freq", "cutoff", "corner"), ("freq_hz",)),
    **dict.fromkeys(("bandwidth", "bw", "quality"), ("q",)),
    **dict.fromkeys(("mix", "wet", "dry_wet", "amount"), ("mix_pct",)),
    **dict.fromkeys(("predelay", "pre_delay"), ("predelay_ms", "pre_delay_ms")),
    **dict.fromkeys(("delay", "shift", "offset"), ("shift_ms", "time_ms")),
    **dict.fromkeys(("time", "delay_time"), ("time_ms",)),
    **dict.fromkeys(("start", "position"), ("at_s",)),
    **dict.fromkeys(("output", "route", "bus", "out", "destination"), ("to",)),
    **dict.fromkeys(("path", "filename", "wav", "audio"), ("file",)),
    **dict.fromkeys(("type", "effect", "fx", "processor", "plugin"), ("do", "kind")),
    **dict.fromkeys(("muted", "silent"), ("mute",)),
    **dict.fromkeys(("bypassed", "off", "disabled"), ("bypass",)),
    **dict.fromkeys(("comment", "description", "remark"), ("note",)),
    "tempo": ("tempo_bpm",),
    "bpm": ("tempo_bpm",),
    "makeup_gain": ("makeup_db",),
    "output_gain": ("makeup_db",),
}
"""Names that are in use elsewhere: the keys that may be meant, as far as the table has them."""
_POLARITY = ("phase", "polarity", "phase_invert", "flip", "phase_deg", "inverted")


def key_hint(key: str, value: Any, names: Collection[str]) -> str | None:
    """A hint for a key that the table does not have; `names` are those that it has."""
    if key in _POLARITY and "invert" in names:
        return _polarity_hint(value)
    if key in ("width", "width_pct") and not any(name.startswith("width") for name in names):
        number = figures(value) if isinstance(value, int | float) and not isinstance(value, bool) else "…"
        return f'width is a step of a chain: {{ do = "width", width_pct = {number} }}'
    if key in processors() and "chain" in names and isinstance(value, dict):
        inside = "".join(f", {k} = {toml_text(v)}" for k, v in value.items())
        step = f'{{ do = "{key}"{inside} }}' if len(inside) < 80 else f'{{ do = "{key}", … }}'
        return f"a step is written in the chain: chain = [ {step} ]"
    if key in ("enabled", "active") and "bypass" in names:
        found = truth_of(key, value)
        return f"did you mean bypass = {'false' if found.value == 'true' else 'true'}?" if found else None
    base = _without_unit(key)
    others = [key, *_OTHER_NAMES.get(key, _OTHER_NAMES.get(base, ()))]
    for other in others:
        name = other if other in names and other != key else _with_a_unit(other, names)
        if name is not None:
            return _did_you_mean(name, key, value, names)
    return None


def _polarity_hint(value: Any) -> str:
    found = _inverted(value)
    if found is not None:
        return f"did you mean {found.text()}?"
    if value in (0, "0", "normal", False) or truth_of("", value):
        return "polarity is the switch `invert`: false, which is its default"
    return "polarity is the switch `invert`: true turns it over, which other angles do not"


def _without_unit(key: str) -> str:
    ending = _ending(key)
    return key.removesuffix(ending) if ending else key


def _with_a_unit(key: str, names: Collection[str]) -> str | None:
    """The key with a unit in its name, for one that was written without."""
    if _ending(key):
        return None
    return next((key + ending for ending in UNIT_WORDS if key + ending in names), None)


def _did_you_mean(name: str, key: str, value: Any, names: Collection[str]) -> str:
    """`did you mean level_db = -3?`, with the value where it may be taken over."""
    if isinstance(value, str):
        found = number_of(name, value, names) if unit_of(name) else None
        text = found.value if found is not None else toml_text(value)
        return f"did you mean {name} = {text}?" if found or not unit_of(name) else f"did you mean {name!r}?"
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return f"did you mean {name} = {toml_text(value)}?" if isinstance(value, bool) else f"did you mean {name!r}?"
    if unit_of(key) and unit_of(key) != unit_of(name):
        return f"did you mean {name!r}?"
    if name.endswith("_pct") and isinstance(value, float) and 0 < abs(value) <= 1:
        return f"did you mean {name} = {figures(value * 100)}? It is in percent"
    if name == "level_db" and key in ("volume", "vol", "fader", "level", "gain") and value > 24:
        return f"did you mean {name!r}? It is in dB, and 0 leaves the level alone"
    if name == "level_db" and isinstance(value, float) and 0 < value <= 1:
        return f"did you mean {name!r}? It is in dB, and 0 leaves the level alone"
    return f"did you mean {name} = {figures(value)}?"
