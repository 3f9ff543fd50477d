"""Checks, changes and causes in words: the one place where their sentences are made."""

from __future__ import annotations

import math
from collections.abc import Callable

from chainrun.comparison.verdict import THE_SAME, clock, where_in_bands
from chainrun.verify.aspects import FORMAT, Aspect
from chainrun.verify.changed import changed_preset_text
from chainrun.verify.changes import (
    AudioNote,
    AudioNoteKind,
    Cause,
    ChangeKind,
    KeyChange,
    Move,
    MoveKind,
    NodeChange,
    NodeChangeKind,
    Note,
    PresetChange,
    RecordingChange,
    RecordingChangeKind,
)
from chainrun.verify.checks import (
    BandsMoved,
    Bound,
    Check,
    Exactly,
    MovedAt,
    NoBaseline,
    RangeOf,
    RenderFailure,
    ResidualPlaces,
    Samples,
)
from chainrun.verify.sketches import STEP_DB

MAX_CHANGED = 8
"""So many changes of a recipe are named one by one."""
SIDES = ("left", "right")


# -- checks ------------------------------------------------------------------------------------------------------------


def check_text(check: Check) -> str:
    """What was found, in a sentence."""
    if check.aspect in TEXT_OF_ASPECT:
        return TEXT_OF_ASPECT[check.aspect](check)
    match check.detail:
        case Samples():
            return _samples_text(check, check.detail)
        case NoBaseline() | RenderFailure():
            return _render_text(check.detail)
        case BandsMoved() | MovedAt():
            return _moved_text(check, check.detail)
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
    return f"{check.aspect}: {check.was} then, {check.found} now"


def _format_text(check: Check) -> str:
    frames = " frames" if check.aspect is Aspect.LENGTH else ""
    return f"{check.aspect}: {check.figure_before:.0f} then, {_found(check):.0f}{frames} now"


TEXT_OF_ASPECT: dict[Aspect, Callable[[Check], str]] = {
    Aspect.EXPECTATION: _expectation_text,
    Aspect.ENCODING: _encoding_text,
    **dict.fromkeys(FORMAT, _format_text),
}
"""Sentences that the aspect alone decides; those of others depend on the check's detail."""
TEXT_OF_SAMPLES = {
    Samples.SAME: THE_SAME,
    Samples.NO_AUDIBLE_DIFFERENCE: "no audible difference: the residual is {found:.0f} LU",
    Samples.NOT_MADE: "this delivery is no longer made",
    Samples.NOT_KNOWN: "the baseline does not know this delivery; accept it anew",
    Samples.ONLY_IN_A: "{delivery} is in A alone, and was not compared",
    Samples.ONLY_IN_B: "{delivery} is in B alone, and was not compared",
}


def _samples_text(check: Check, samples: Samples) -> str:
    return TEXT_OF_SAMPLES[samples].format(found=_found(check), delivery=check.delivery)


def _render_text(detail: NoBaseline | RenderFailure) -> str:
    if isinstance(detail, RenderFailure):
        return detail.text
    return f"there is no baseline {detail.file}; listen to the mix, then: chainrun verify RECIPE --accept"


def _moved_text(check: Check, detail: BandsMoved | MovedAt) -> str:
    if isinstance(detail, MovedAt):
        return f"loudness over time moves by up to {_found(check):+.2f} LU, at {clock(detail.at_s)}"
    where = where_in_bands(dict(detail.bands_db))
    return f"third octaves move by up to {_found(check):.2f} dB" + (f", mostly {where}" if where else "")


def _quantity_text(check: Check) -> str:
    then, today = check.figure_before or 0.0, _found(check)
    text = f"{check.aspect}: {then:.2f} then, {today:.2f} {check.unit} now ({today - then:+.2f})"
    return f"{text}, of a short programme" if check.detail == RangeOf(short=True) else text


def _residual_text(check: Check, places: ResidualPlaces | Exactly) -> str:
    if isinstance(places, Exactly):
        return f"exact residual: {places.difference.sentence(places.floor)}"
    text = f"residual: {_found(check):.1f} LU against the mix"
    if places.from_s is not None:
        text += f", from {clock(places.from_s)} on"
    if places.sticks_out:
        text += f"; {places.loudest_lu:.1f} LU at {clock(places.loudest_s)}"
    if places.may_be_over:
        text += f" (told within {2.0 * STEP_DB:.1f} dB, and may be over)"
    return text


LIMIT_WORDS = {
    Bound.AS_IT_WAS: "as it was",
    Bound.WITHIN: "within {low:g}",
    Bound.NEAR: "{low:g} within {high:g}",
    Bound.BETWEEN: "from {low:g} to {high:g}",
    Bound.AT_LEAST: "at least {low:g}",
    Bound.AT_MOST: "at most {low:g}",
}


def limit_text(check: Check) -> str | None:
    """What is allowed, with its unit; None where there is no limit."""
    if not check.limits:
        return None
    words = ", ".join(LIMIT_WORDS[one.bound].format(low=one.low, high=one.high) for one in check.limits)
    return words if check.limits[0].bound is Bound.AS_IT_WAS else f"{words} {check.unit}".rstrip()


def limited_text(check: Check) -> str:
    """What was found, against what limit; an expectation says its limit itself."""
    limit = limit_text(check) if check.aspect is not Aspect.EXPECTATION else None
    return check_text(check) + (f"; allowed {limit}" if limit else "")


def whole_text(check: Check) -> str:
    """The same with the delivery that it is about."""
    return f"{check.delivery}: {limited_text(check)}" if _is_of_a_delivery(check) else limited_text(check)


def subject_text(check: Check) -> str:
    """What a line is about: the delivery, and the aspect where the sentence does not begin with it."""
    if check.aspect is Aspect.EXPECTATION:
        return f"{check.aspect}:"
    if not _is_of_a_delivery(check):
        return "render"
    return check.name if check.aspect is Aspect.SAMPLES else f"{check.delivery}:"


def _is_of_a_delivery(check: Check) -> bool:
    return check.delivery is not None and check.aspect is not Aspect.RENDER


# -- changes and causes ------------------------------------------------------------------------------------------------


def change_text(change: KeyChange) -> str:
    """How a key of the recipe is not as it was."""
    return CHANGE_WORDS[change.kind](change)


CHANGE_WORDS: dict[ChangeKind, Callable[[KeyChange], str]] = {
    ChangeKind.VALUE: lambda one: f"{one.before or 'not written'} then, {one.after or 'not written'} now",
    ChangeKind.CONTENT: lambda _: "another",
    ChangeKind.ADDED: lambda _: "new",
    ChangeKind.REMOVED: lambda _: "gone",
    ChangeKind.ORDER: lambda one: f"order {', '.join(one.steps_before)} then, {', '.join(one.steps_after)} now",
    ChangeKind.RECORDING: lambda one: "; ".join(recording_change_text(inner) for inner in one.recording),
}


def recording_change_text(change: RecordingChange) -> str:
    """How a recording differs from what it was."""
    words = RECORDING_WORDS[change.kind](change)
    if change.channel is None:
        return words
    side = SIDES[change.channel] if change.of_channels == len(SIDES) else f"channel {change.channel + 1}"
    return f"{side}: {words}"


def _gap_words(change: RecordingChange) -> str:
    between = f"between {clock(change.from_s)} and {clock(change.to_s)}"
    return f"quieter by up to {change.amount:.1f} dB {between}: a gap?"


RECORDING_WORDS: dict[RecordingChangeKind, Callable[[RecordingChange], str]] = {
    RecordingChangeKind.RATE: lambda one: f"another rate: {one.before} then, {one.after} Hz now",
    RecordingChangeKind.CHANNELS: lambda one: f"another number of channels: {one.before} then, {one.after} now",
    RecordingChangeKind.LENGTH: lambda one: (
        f"{'longer' if one.amount > 0 else 'shorter'} by {abs(one.amount):.0f} frames"
    ),
    RecordingChangeKind.SIDES_SWAPPED: lambda _: "left and right are swapped",
    RecordingChangeKind.GAIN: lambda one: f"{one.amount:+.2f} dB",
    RecordingChangeKind.SHIFTED: lambda one: f"{abs(one.amount):g} samples {'later' if one.amount > 0 else 'earlier'}",
    RecordingChangeKind.ANOTHER: lambda _: "another recording",
    RecordingChangeKind.INVERTED: lambda _: "polarity inverted",
    RecordingChangeKind.CLICK: lambda one: f"a click near {clock(one.from_s)} (peak {one.amount:+.1f} dB)",
    RecordingChangeKind.GAP: _gap_words,
    RecordingChangeKind.OTHER_SAMPLES: lambda _: "other samples; no level, polarity, time or place tells how",
}


def move_text(move: Move) -> str:
    """What of a node's print moved."""
    return MOVE_WORDS[move.kind](move)


def _residual_move(move: Move) -> str:
    begin = f" from {clock(move.from_s)} on" if move.from_s is not None else ""
    return f"residual {move.amount:.1f} dB{begin}"


MOVE_WORDS: dict[MoveKind, Callable[[Move], str]] = {
    MoveKind.FORMAT: lambda one: f"{one.aspect} {one.before:.0f} to {one.after:.0f}",
    MoveKind.RESIDUAL: _residual_move,
    MoveKind.LEVEL: lambda one: f"level {one.amount:+.2f} dB",
    MoveKind.SPECTRUM: lambda one: f"spectrum {where_in_bands(dict(one.bands_db))}",
    MoveKind.LENGTH: lambda one: f"length {one.amount:+.0f} frames",
    MoveKind.READING: lambda one: f"{one.reading} {one.before:.1f} to {one.after:.1f}",
    MoveKind.READING_ADDED: lambda one: f"{one.reading} is new",
    MoveKind.READING_REMOVED: lambda one: f"{one.reading} is gone",
}


def cause_lines(cause: Cause) -> list[str]:
    """Where a difference comes from, in sentences."""
    lines = []
    if cause.node is not None:
        moved = f": {'; '.join(move_text(one) for one in cause.moved)}" if cause.moved else ""
        lines.append(f"first in {cause.node}{moved}")
        if len(cause.nodes) > 1:
            lines.append(f"then in {', '.join(name for name in cause.nodes if name != cause.node)}")
    else:
        lines.append("no node's print differs: it lies in the delivery")
    if cause.changed:
        shown = [f"{one.key} ({change_text(one)})" for one in cause.changed]
        more = f" and {len(shown) - MAX_CHANGED} more" if len(shown) > MAX_CHANGED else ""
        lines.append(f"changed in the recipe: {', '.join(shown[:MAX_CHANGED])}{more}")
    else:
        lines.append("nothing is changed in the recipe: chainrun or the machine is another")
    return lines


# -- notes -------------------------------------------------------------------------------------------------------------


def note_text(note: Note) -> str:
    """What else there is to know."""
    match note:
        case PresetChange(preset, baseline):
            return changed_preset_text(preset, baseline)
        case NodeChange():
            return NODE_WORDS[note.kind].format(node=note.node, new_name=note.new_name)
        case AudioNote():
            return AUDIO_WORDS[note.kind].format(name=note.name)


NODE_WORDS = {
    NodeChangeKind.RENAMED: "{node} is called {new_name} now, and has the same print",
    NodeChangeKind.REMOVED: "{node} is no longer there",
    NodeChangeKind.ADDED: "{node} is new",
}
INSTEAD = "judged by the baseline's sketch instead"
AUDIO_WORDS = {
    AudioNoteKind.TOO_LOUD: "{name} goes over 0 dBFS, which FLAC cannot hold: no audio was kept of it",
    AudioNoteKind.OF_AN_EARLIER_BASELINE: "{name} is of an earlier baseline, and no longer used: delete it",
    AudioNoteKind.NOT_THE_ACCEPTED_ONE: f"{{name}} is not the one that was accepted: {INSTEAD}",
    AudioNoteKind.GONE: f"{{name}} is gone: {INSTEAD}",
}
