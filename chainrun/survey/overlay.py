"""Writes the repairs that a survey proposes as an overlay, with a reason on each line."""

from __future__ import annotations

from typing import Literal

from chainrun.errors import printable
from chainrun.recipe.toml_text import toml_text
from chainrun.survey.advice import About, advice, imbalance, metres, of_hits, to_turn
from chainrun.survey.between import Arrived
from chainrun.survey.channels import NOTHING_DBFS
from chainrun.survey.survey import GroupSurvey, Survey

Align = Literal["none", "close", "all"]
SMALLEST_SHIFT = 0.05


def _to_align(group: GroupSurvey, close: set[str]) -> list[Arrived]:
    """Arrivals that may be aligned: all against a far reference; without one, a drum's second microphone alone.

    The sound of one drum in another's close microphone is bleed, and not suited to align by.
    """
    return group.under if group.reference in close else group.arrivals


class _Stem:
    """Proposed changes of one stem by channel, relative to the recipe's settings."""

    def __init__(self) -> None:
        self.invert: dict[int, str] = {}
        self.trim_db: dict[int, tuple[float, str]] = {}
        self.shift: dict[int, tuple[float, str]] = {}
        self.hit: tuple[float, str] | None = None


def overlay_text(survey: Survey, source: str, align: Align = "none") -> str:
    """The overlay as TOML with comments; without tables if nothing is proposed."""
    lines = [
        f"# Proposals of a survey of {printable(source)}. Read and edit them, then render with --overlay.",
        "# Each value replaces the recipe's own.",
    ]
    if align == "none":
        lines.append("# Times stay as recorded: distance is part of the sound. `--align close` or `all` aligns.")
    found = [one for one in advice(survey) if one.about not in (About.ARRIVAL, About.IMAGE)]
    if found:
        lines += ["#", "# Found:"] + [f"#   {printable(one.text)}" for one in found]
    removed = []
    for name, changes in _changes(survey, align).items():
        body = _body(survey, name, changes)
        if body:
            lines += ["", f"[stems.{name}]", *body]
            if changes.shift and _has_ms(survey, name):
                removed.append(f"stems.{name}.shift_ms")
    if removed:
        at = next(i for i, line in enumerate(lines) if line.startswith("["))
        lines[at:at] = [f"remove = {toml_text(removed)}  # replaced by shift_samples", ""]
    return "\n".join(lines) + "\n"


def _changes(survey: Survey, align: Align) -> dict[str, _Stem]:
    """Proposed changes by stem."""
    stems = {stem: _Stem() for stem in survey.material.stems}
    place = {channel.name: (channel.stem, channel.side or 0) for channel in survey.material.channels}
    for channel, reason in to_turn(survey).items():
        stem, side = place[channel]
        stems[stem].invert[side] = reason
    for group in survey.groups:
        for one in _shifted(group, align):
            stem, side = place[one.channel]
            stems[stem].shift[side] = (-one.delay_frames, _why(one, survey.material.rate_hz))
        for stem in group.seats:
            told = imbalance(group, stem)
            if told is not None and told.sure:
                stems[stem].trim_db[told.side] = (-abs(round(told.db, 1)), told.reason)
        for channel, level in group.hit_levels.items():
            if level >= NOTHING_DBFS:
                stem, _ = place[channel]
                part = survey.material.of_stem(stem)[0].input.parts[0]
                stems[stem].hit = (round(level - part.trim_db, 1), "median peak of the louder half of its hits")
    return stems


def _shifted(group: GroupSurvey, align: Align) -> list[Arrived]:
    """Arrivals of a group whose channels are aligned."""
    if align == "none":
        return []
    close = {microphone for drum in group.drums for microphone in drum.microphones}
    sure = [one for one in _to_align(group, close) if one.sure]
    return sure if align == "all" else [one for one in sure if one.channel in close]


def _why(one: Arrived, rate_hz: int) -> str:
    return f"arrives {metres(one, rate_hz)} ({of_hits(one)})"


def _has_ms(survey: Survey, stem: str) -> bool:
    return any(channel.shift_in_ms for channel in survey.material.of_stem(stem))


def _body(survey: Survey, name: str, stem: _Stem) -> list[str]:
    """The lines of one stem's table."""
    parts = [channel.input.parts[0] for channel in survey.material.of_stem(name)]
    lines = []
    if stem.invert:
        values = [part.invert != (side in stem.invert) for side, part in enumerate(parts)]
        shown = [str(value).lower() for value in values]
        lines.append(_line("invert", shown, list(stem.invert.values())))
    if stem.trim_db:
        moved = [part.trim_db + stem.trim_db.get(side, (0.0, ""))[0] for side, part in enumerate(parts)]
        lines.append(_line("trim_db", [f"{value:.1f}" for value in moved], [why for _, why in stem.trim_db.values()]))
    if any(abs(by) >= SMALLEST_SHIFT for by, _ in stem.shift.values()):
        moved = [part.shift_frames + stem.shift.get(side, (0.0, ""))[0] for side, part in enumerate(parts)]
        reasons = [why for by, why in stem.shift.values() if abs(by) >= SMALLEST_SHIFT]
        lines.append(_line("shift_samples", [f"{value:.2f}" for value in moved], reasons))
    if stem.hit is not None:
        lines.append(_line("hit_level_dbfs", [f"{stem.hit[0]:.1f}"], [stem.hit[1]]))
    return lines


def _line(key: str, values: list[str], reasons: list[str]) -> str:
    shown = values[0] if len(values) == 1 else f"[{', '.join(values)}]"
    return f"{key} = {shown}  # {printable('; '.join(reasons))}"
