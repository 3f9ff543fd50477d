"""Checks, changes and causes in words: the one place where their sentences are made."""

from __future__ import annotations

import math

from chainrun.comparison.verdict import clock, where_in_bands
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
    Limit,
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
    if check.aspect is Aspect.EXPECTATION:
        return f"{check.path}: {_expected_figure(check)}, expected {limit_text(check)}"
    if check.aspect is Aspect.ENCODING:
        return f"{check.aspect}: {check.was} then, {check.found} now"
    if check.aspect in FORMAT:
        frames = " frames" if check.aspect is Aspect.LENGTH else ""
        return f"{check.aspect}: {check.was:.0f} then, {check.found:.0f}{frames} now"
    return _detailed_text(check)


def _detailed_text(check: Check) -> str:
    """The sentence of a check by the kind of its detail."""
    match check.detail:
        case Samples():
            return _samples_text(check, check.detail)
        case NoBaseline(file):
            return f"there is no baseline {file}; listen to the mix, then: chainrun verify RECIPE --accept"
        case RenderFailure(text):
            return text
        case BandsMoved(bands):
            where = where_in_bands(dict(bands))
            return f"third octaves move by up to {_found(check):.2f} dB" + (f", mostly {where}" if where else "")
        case MovedAt(at_s):
            return f"loudness over time moves by up to {_found(check):+.2f} LU, at {clock(at_s)}"
        case ResidualPlaces():
            return _residual_text(check, check.detail)
        case Exactly(difference, floor):
            return f"exact residual: {difference.sentence(floor)}"
        case _:
            return _quantity_text(check)


def _found(check: Check) -> float:
    return check.figure if check.figure is not None else math.nan


def _expected_figure(check: Check) -> str:
    value = _found(check)
    return f"{value:.2f} {check.unit}".rstrip() if math.isfinite(value) else "silence"


def _samples_text(check: Check, samples: Samples) -> str:
    match samples:
        case Samples.SAME:
            return "the same samples"
        case Samples.NO_AUDIBLE_DIFFERENCE:
            return f"no audible difference: the residual is {_found(check):.0f} LU"
        case Samples.NOT_MADE:
            return "this delivery is no longer made"
        case Samples.NOT_KNOWN:
            return "the baseline does not know this delivery; accept it anew"
        case Samples.ONLY_IN_A | Samples.ONLY_IN_B:
            side = "A" if samples is Samples.ONLY_IN_A else "B"
            return f"{check.delivery} is in {side} alone, and was not compared"


def _quantity_text(check: Check) -> str:
    then, today = check.figure_before or 0.0, _found(check)
    text = f"{check.aspect}: {then:.2f} then, {today:.2f} {check.unit} now ({today - then:+.2f})"
    return f"{text}, of a short programme" if check.detail == RangeOf(short=True) else text


def _residual_text(check: Check, places: ResidualPlaces) -> str:
    text = f"residual: {_found(check):.1f} LU against the mix"
    if places.from_s is not None:
        text += f", from {clock(places.from_s)} on"
    if places.sticks_out:
        text += f"; {places.loudest_lu:.1f} LU at {clock(places.loudest_s)}"
    if places.may_be_over:
        text += f" (told within {2.0 * STEP_DB:.1f} dB, and may be over)"
    return text


def limit_text(check: Check) -> str | None:
    """What is allowed, with its unit; None where there is no limit."""
    if not check.limits:
        return None
    if check.limits[0].bound is Bound.AS_IT_WAS:
        return _limit_words(check.limits[0])
    return f"{', '.join(_limit_words(one) for one in check.limits)} {check.unit}".rstrip()


def _limit_words(limit: Limit) -> str:
    match limit.bound:
        case Bound.AS_IT_WAS:
            return "as it was"
        case Bound.WITHIN:
            return f"within {limit.low:g}"
        case Bound.NEAR:
            return f"{limit.low:g} within {limit.high:g}"
        case Bound.BETWEEN:
            return f"from {limit.low:g} to {limit.high:g}"
        case Bound.AT_LEAST:
            return f"at least {limit.low:g}"
        case Bound.AT_MOST:
            return f"at most {limit.low:g}"


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
    match change.kind:
        case ChangeKind.VALUE:
            return f"{change.before or 'not written'} then, {change.after or 'not written'} now"
        case ChangeKind.CONTENT:
            return "another"
        case ChangeKind.ADDED:
            return "new"
        case ChangeKind.REMOVED:
            return "gone"
        case ChangeKind.ORDER:
            return f"order {', '.join(change.steps_before)} then, {', '.join(change.steps_after)} now"
        case ChangeKind.RECORDING:
            return "; ".join(recording_change_text(one) for one in change.recording)


def recording_change_text(change: RecordingChange) -> str:
    """How a recording differs from what it was."""
    return f"{_side(change)}{_recording_words(change)}"


def _side(change: RecordingChange) -> str:
    if change.channel is None:
        return ""
    return f"{SIDES[change.channel]}: " if change.of_channels == 2 else f"channel {change.channel + 1}: "


def _recording_words(change: RecordingChange) -> str:
    amount = change.amount
    match change.kind:
        case RecordingChangeKind.RATE:
            return f"another rate: {change.before} then, {change.after} Hz now"
        case RecordingChangeKind.CHANNELS:
            return f"another number of channels: {change.before} then, {change.after} now"
        case RecordingChangeKind.LENGTH:
            return f"{'longer' if amount > 0 else 'shorter'} by {abs(amount):.0f} frames"
        case _:
            return _sound_words(change)


def _sound_words(change: RecordingChange) -> str:
    """How the sound of a recording of the same format differs."""
    amount = change.amount
    match change.kind:
        case RecordingChangeKind.SIDES_SWAPPED:
            return "left and right are swapped"
        case RecordingChangeKind.GAIN:
            return f"{amount:+.2f} dB"
        case RecordingChangeKind.SHIFTED:
            return f"{abs(amount):g} samples {'later' if amount > 0 else 'earlier'}"
        case RecordingChangeKind.ANOTHER:
            return "another recording"
        case RecordingChangeKind.INVERTED:
            return "polarity inverted"
        case RecordingChangeKind.CLICK:
            return f"a click near {clock(change.from_s)} (peak {amount:+.1f} dB)"
        case RecordingChangeKind.GAP:
            between = f"between {clock(change.from_s)} and {clock(change.to_s)}"
            return f"quieter by up to {amount:.1f} dB {between}: a gap?"
        case _:
            return "other samples; no level, polarity, time or place tells how"


def move_text(move: Move) -> str:
    """What of a node's print moved."""
    match move.kind:
        case MoveKind.FORMAT:
            return f"{move.aspect} {move.before:.0f} to {move.after:.0f}"
        case MoveKind.RESIDUAL:
            begin = f" from {clock(move.from_s)} on" if move.from_s is not None else ""
            return f"residual {move.amount:.1f} dB{begin}"
        case MoveKind.LEVEL:
            return f"level {move.amount:+.2f} dB"
        case MoveKind.SPECTRUM:
            return f"spectrum {where_in_bands(dict(move.bands_db))}"
        case MoveKind.LENGTH:
            return f"length {move.amount:+.0f} frames"
        case MoveKind.READING:
            return f"{move.reading} {move.before:.1f} to {move.after:.1f}"
        case MoveKind.READING_ADDED:
            return f"{move.reading} is new"
        case MoveKind.READING_REMOVED:
            return f"{move.reading} is gone"


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
            return _node_change_text(note)
        case AudioNote():
            return _audio_text(note)


def _node_change_text(change: NodeChange) -> str:
    match change.kind:
        case NodeChangeKind.RENAMED:
            return f"{change.node} is called {change.new_name} now, and has the same print"
        case NodeChangeKind.REMOVED:
            return f"{change.node} is no longer there"
        case NodeChangeKind.ADDED:
            return f"{change.node} is new"


def _audio_text(note: AudioNote) -> str:
    match note.kind:
        case AudioNoteKind.TOO_LOUD:
            return f"{note.name} goes over 0 dBFS, which FLAC cannot hold: no audio was kept of it"
        case AudioNoteKind.OF_AN_EARLIER_BASELINE:
            return f"{note.name} is of an earlier baseline, and no longer used: delete it"
        case AudioNoteKind.NOT_THE_ACCEPTED_ONE:
            return f"{note.name} is not the one that was accepted: judged by the baseline's sketch instead"
        case AudioNoteKind.GONE:
            return f"{note.name} is gone: judged by the baseline's sketch instead"
