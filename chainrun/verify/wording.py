"""Words checks, changes, causes and notes; all their sentences are made here."""

from __future__ import annotations

import math
from collections.abc import Callable

from chainrun.comparison.verdict import IDENTICAL, clock, residual_words, where_in_bands
from chainrun.verify.aspects import FORMAT, Aspect, Unit
from chainrun.verify.changed import changed_preset_text
from chainrun.verify.changes import (
    AudioNote,
    AudioNoteKind,
    Cause,
    ChangeKind,
    KeyChange,
    NodeChange,
    NodeChangeKind,
    Note,
    PresetChange,
    PrintChange,
    PrintChangeKind,
    RecordingChange,
    RecordingChangeKind,
)
from chainrun.verify.checks import (
    BandsChanged,
    Bound,
    Check,
    Exactly,
    LargestChangeAt,
    NoBaseline,
    RangeOf,
    RenderFailure,
    ResidualPlaces,
    Samples,
)
from chainrun.verify.sketches import STEP_DB

MAX_CHANGED = 8
"""Maximum number of changes of a recipe that are named one by one."""
SIDES = ("left", "right")


# -- checks ------------------------------------------------------------------------------------------------------------


def check_text(check: Check) -> str:
    """The finding of a check, in a sentence."""
    if check.aspect in TEXT_OF_ASPECT:
        return TEXT_OF_ASPECT[check.aspect](check)
    match check.detail:
        case Samples():
            return _samples_text(check, check.detail)
        case NoBaseline() | RenderFailure():
            return _render_text(check.detail)
        case BandsChanged() | LargestChangeAt():
            return _change_over_time_text(check, check.detail)
        case ResidualPlaces() | Exactly():
            return _residual_text(check, check.detail)
    return _quantity_text(check)


def _found(check: Check) -> float:
    return check.figure if check.figure is not None else math.nan


def _expectation_text(check: Check) -> str:
    value = _found(check)
    figure = f"{value:.2f} {check.unit}".rstrip() if math.isfinite(value) else "silence"
    return f"{check.path}: {figure}, expected {limit_text(check)}"


def _encoding_text(check: Check) -> str:
    return f"{check.aspect}: was {check.was}, now {check.found}"


def _format_text(check: Check) -> str:
    frames = " frames" if check.aspect is Aspect.LENGTH else ""
    return f"{check.aspect}: was {check.figure_before:.0f}, now {_found(check):.0f}{frames}"


TEXT_OF_ASPECT: dict[Aspect, Callable[[Check], str]] = {
    Aspect.EXPECTATION: _expectation_text,
    Aspect.ENCODING: _encoding_text,
    **dict.fromkeys(FORMAT, _format_text),
}
"""Sentences that depend on the aspect alone; all others depend on the check's detail."""
TEXT_OF_SAMPLES = {
    Samples.SAME: IDENTICAL,
    Samples.NO_AUDIBLE_DIFFERENCE: "no audible difference: {residual}",
    Samples.NOT_MADE: "this delivery is in the baseline, but is no longer rendered",
    Samples.NOT_KNOWN: "this delivery is not in the baseline; accept the recipe again",
    Samples.ONLY_IN_A: "{delivery} is in A alone, and was not compared",
    Samples.ONLY_IN_B: "{delivery} is in B alone, and was not compared",
}


def _samples_text(check: Check, samples: Samples) -> str:
    return TEXT_OF_SAMPLES[samples].format(residual=residual_words(_found(check)), delivery=check.delivery)


def _render_text(detail: NoBaseline | RenderFailure) -> str:
    if isinstance(detail, RenderFailure):
        return detail.text
    return f"there is no baseline {detail.file}; listen to the mix, then: chainrun verify RECIPE --accept"


def _change_over_time_text(check: Check, detail: BandsChanged | LargestChangeAt) -> str:
    if isinstance(detail, LargestChangeAt):
        return f"loudness over time changes by up to {_found(check):+.2f} LU, at {clock(detail.at_s)}"
    where = where_in_bands(dict(detail.bands_db))
    return f"third octaves change by up to {_found(check):.2f} dB" + (f", mostly {where}" if where else "")


def _quantity_text(check: Check) -> str:
    then, now = check.figure_before, check.figure
    text = f"{check.aspect}: was {_reading(then, check.unit)}, now {_reading(now, check.unit)}"
    if then is not None and now is not None:
        text = f"{check.aspect}: was {then:.2f}, now {_reading(now, check.unit)} ({now - then:+.2f})"
    return f"{text}, on a short programme" if check.detail == RangeOf(short=True) else text


def _reading(value: float | None, unit: Unit) -> str:
    """A reading with its unit; a missing level means silence, any other missing reading was not measured."""
    if value is None:
        return "silence" if unit in (Unit.LUFS, Unit.DBTP, Unit.DBFS) else "not measured"
    return f"{value:.2f} {unit}".rstrip()


def _residual_text(check: Check, places: ResidualPlaces | Exactly) -> str:
    if isinstance(places, Exactly):
        return f"exact residual: {places.difference.sentence(places.floor)}"
    text = residual_words(_found(check))
    if math.isfinite(_found(check)):
        text += " against the mix"
    if places.from_s is not None:
        text += f", from {clock(places.from_s)} on"
    if places.sticks_out:
        text += f", up to {places.loudest_lu:.1f} LU at {clock(places.loudest_s)}"
    if places.may_be_over:
        text += f" (an estimate within {2.0 * STEP_DB:.1f} dB; it may exceed the limit)"
    return text


LIMIT_WORDS = {
    Bound.AS_IT_WAS: "unchanged",
    Bound.WITHIN: "within {low:g}",
    Bound.NEAR: "{low:g} within {high:g}",
    Bound.BETWEEN: "from {low:g} to {high:g}",
    Bound.AT_LEAST: "at least {low:g}",
    Bound.AT_MOST: "at most {low:g}",
}


def limit_text(check: Check) -> str | None:
    """The limits of a check, with unit; None if it has none."""
    if not check.limits:
        return None
    words = ", ".join(LIMIT_WORDS[one.bound].format(low=one.low, high=one.high) for one in check.limits)
    return words if check.limits[0].bound is Bound.AS_IT_WAS else f"{words} {check.unit}".rstrip()


def limited_text(check: Check) -> str:
    """The finding of a check with its limits; the sentence of an expectation already has them."""
    limit = limit_text(check) if check.aspect is not Aspect.EXPECTATION else None
    return check_text(check) + (f"; allowed: {limit}" if limit else "")


def whole_text(check: Check) -> str:
    """The finding of a check with its limits, preceded by the delivery concerned."""
    return f"{check.delivery}: {limited_text(check)}" if _is_of_a_delivery(check) else limited_text(check)


def subject_text(check: Check) -> str:
    """The subject of a check's line: the delivery, with the aspect if the sentence does not begin with it."""
    if check.aspect is Aspect.EXPECTATION:
        return f"{check.aspect}:"
    if not _is_of_a_delivery(check):
        return "render"
    return check.name if check.aspect is Aspect.SAMPLES else f"{check.delivery}:"


def _is_of_a_delivery(check: Check) -> bool:
    return check.delivery is not None and check.aspect is not Aspect.RENDER


# -- changes and causes ------------------------------------------------------------------------------------------------


def change_text(change: KeyChange) -> str:
    """The change of a key of the recipe, in words."""
    return CHANGE_WORDS[change.kind](change)


CHANGE_WORDS: dict[ChangeKind, Callable[[KeyChange], str]] = {
    ChangeKind.VALUE: lambda one: f"was {one.before or 'not set'}, now {one.after or 'not set'}",
    ChangeKind.CONTENT: lambda _: "different",
    ChangeKind.ADDED: lambda _: "new",
    ChangeKind.REMOVED: lambda _: "removed",
    ChangeKind.ORDER: lambda one: f"order was {', '.join(one.steps_before)}, now {', '.join(one.steps_after)}",
    ChangeKind.RECORDING: lambda one: "; ".join(recording_change_text(inner) for inner in one.recording),
}


def recording_change_text(change: RecordingChange) -> str:
    """The change of a recording, in words."""
    words = RECORDING_WORDS[change.kind](change)
    if change.channel is None:
        return words
    side = SIDES[change.channel] if change.of_channels == len(SIDES) else f"channel {change.channel + 1}"
    return f"{side}: {words}"


def _gap_words(change: RecordingChange) -> str:
    between = f"between {clock(change.from_s)} and {clock(change.to_s)}"
    return f"quieter by up to {change.amount:.1f} dB {between}: a gap?"


RECORDING_WORDS: dict[RecordingChangeKind, Callable[[RecordingChange], str]] = {
    RecordingChangeKind.RATE: lambda one: f"sample rate was {one.before}, now {one.after} Hz",
    RecordingChangeKind.CHANNELS: lambda one: f"number of channels was {one.before}, now {one.after}",
    RecordingChangeKind.LENGTH: lambda one: f"{abs(one.amount):.0f} frames {'longer' if one.amount > 0 else 'shorter'}",
    RecordingChangeKind.SIDES_SWAPPED: lambda _: "left and right are swapped",
    RecordingChangeKind.GAIN: lambda one: f"{one.amount:+.2f} dB",
    RecordingChangeKind.SHIFTED: lambda one: f"{abs(one.amount):g} samples {'later' if one.amount > 0 else 'earlier'}",
    RecordingChangeKind.ANOTHER: lambda _: "a different recording",
    RecordingChangeKind.INVERTED: lambda _: "polarity inverted",
    RecordingChangeKind.CLICK: lambda one: f"a click near {clock(one.from_s)} (peak {one.amount:+.1f} dB)",
    RecordingChangeKind.GAP: _gap_words,
    RecordingChangeKind.OTHER_SAMPLES: lambda _: "different samples, but neither level, polarity nor time changed",
}


def print_change_text(change: PrintChange) -> str:
    """The change of a node's print, in words."""
    return PRINT_CHANGE_WORDS[change.kind](change)


def _residual_change(change: PrintChange) -> str:
    begin = f" from {clock(change.from_s)} on" if change.from_s is not None else ""
    return f"{residual_words(change.amount)}{begin}"


PRINT_CHANGE_WORDS: dict[PrintChangeKind, Callable[[PrintChange], str]] = {
    PrintChangeKind.FORMAT: lambda one: f"{one.aspect} {one.before:.0f} to {one.after:.0f}",
    PrintChangeKind.RESIDUAL: _residual_change,
    PrintChangeKind.LEVEL: lambda one: f"level {one.amount:+.2f} dB",
    PrintChangeKind.SPECTRUM: lambda one: f"spectrum {where_in_bands(dict(one.bands_db))}",
    PrintChangeKind.LENGTH: lambda one: f"length {one.amount:+.0f} frames",
    PrintChangeKind.READING: lambda one: f"{one.reading} {one.before:.1f} to {one.after:.1f}",
    PrintChangeKind.READING_ADDED: lambda one: f"{one.reading} is new",
    PrintChangeKind.READING_REMOVED: lambda one: f"{one.reading} was removed",
}


def cause_lines(cause: Cause) -> list[str]:
    """The cause of a difference, in sentences."""
    lines = []
    if cause.node is not None:
        changes = f": {'; '.join(print_change_text(one) for one in cause.differences)}" if cause.differences else ""
        lines.append(f"first in {cause.node}{changes}")
        if len(cause.nodes) > 1:
            lines.append(f"then in {', '.join(name for name in cause.nodes if name != cause.node)}")
    else:
        lines.append("no node's print differs: the difference is in the delivery")
    if cause.changed:
        shown = [f"{one.key} ({change_text(one)})" for one in cause.changed]
        more = f" and {len(shown) - MAX_CHANGED} more" if len(shown) > MAX_CHANGED else ""
        lines.append(f"changed in the recipe: {', '.join(shown[:MAX_CHANGED])}{more}")
    else:
        lines.append("nothing changed in the recipe: chainrun's version or the machine differs")
    return lines


# -- notes -------------------------------------------------------------------------------------------------------------


def note_text(note: Note) -> str:
    """A note, in words."""
    match note:
        case PresetChange(preset, baseline):
            return changed_preset_text(preset, baseline)
        case NodeChange():
            return NODE_WORDS[note.kind].format(node=note.node, new_name=note.new_name)
        case AudioNote():
            return AUDIO_WORDS[note.kind].format(name=note.name)


NODE_WORDS = {
    NodeChangeKind.RENAMED: "{node} was renamed {new_name}; its print is the same",
    NodeChangeKind.REMOVED: "{node} was removed",
    NodeChangeKind.ADDED: "{node} is new",
}
INSTEAD = "the baseline's sketch was used instead"
AUDIO_WORDS = {
    AudioNoteKind.TOO_LOUD: "{name} exceeds 0 dBFS, which FLAC cannot hold: its audio was not kept",
    AudioNoteKind.OF_AN_EARLIER_BASELINE: "{name} belongs to an earlier baseline and is no longer used: delete it",
    AudioNoteKind.NOT_THE_ACCEPTED_ONE: f"{{name}} is not the accepted audio: {INSTEAD}",
    AudioNoteKind.GONE: f"{{name}} is missing: {INSTEAD}",
}
