"""Finds the hits of a drum kit and assigns each to its drum, from the close microphones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array, IntArray
from chainrun.dsp.onsets import levels_after, onsets
from chainrun.dsp.unmixing import unmix
from chainrun.survey.channels import Channel
from chainrun.survey.hearing import BEFORE_MS, FINE
from chainrun.survey.roles import CLOSE, FAR

BANDS_HZ = ((30.0, 120.0), (120.0, 400.0), (400.0, 2500.0), (2500.0, 14000.0))
AFTER_MS = (40, 25, 12, 8)
"""Length of analysis by band: a low band needs more time."""
BEFORE_HIT_MS = (25, 4)
TOGETHER_MS = 15
MAX_HITS = 50
"""Maximum number of hits per close microphone: those where it stands out most; and half as many of the loudest."""
REAL = 0.3
"""Minimum strength of a hit, as a share of its drum's strongest ones."""
OWN_SHARE = 0.6
"""Minimum share of a drum's own energy in its own microphone, if there are such hits."""
CLOSE_FROM = 6.5
"""A microphone without a name that stands apart by so much is taken for a close one. Set between the demo's close
microphones and its overheads and room (tests/survey takes their names away)."""


@dataclass(frozen=True)
class Drum:
    """A drum: its close microphones, the leading one first, and its hits."""

    name: str
    microphones: tuple[str, ...]
    rows: IntArray
    """Indices of its clear hits among the common stretches, the clearest first."""
    strengths: Array
    """Strength of its hit in each of the common stretches, 0 to about 1."""
    own_levels: tuple[float, ...] = ()
    """Level of its own hits in the four bands of its leading microphone."""
    is_first: bool = True
    """Whether its own microphone receives these hits first; else they are another drum's."""


def close_ones(channels: list[Channel], envelopes: Mapping[str, Array]) -> list[Channel]:
    """Channels of close microphones: by their names, else by how much of their sound is theirs alone."""
    named = [channel for channel in channels if channel.role.instrument in CLOSE and channel.side is None]
    unknown = [channel for channel in channels if channel.role.instrument is None and channel.side is None]
    if not unknown:
        return named
    apart = standing_apart({channel.name: envelopes[channel.name] for channel in channels})
    return [
        channel
        for channel in channels
        if channel in named or (channel in unknown and apart.get(channel.name, 0.0) >= CLOSE_FROM)
    ]


def standing_apart(envelopes: Mapping[str, Array]) -> dict[str, float]:
    """The share of each microphone's sound that is its own: from its hits, and against the other microphones.

    A far microphone follows the common sound, a close one its drum. In dB; the weights were found by trial.
    """
    everywhere = events_of(envelopes)
    if everywhere.size < 4:
        return {}
    bled = {}
    for name, envelope in envelopes.items():
        padded = np.concatenate([levels_after(envelope), np.full(int(everywhere[-1]) + 8, -140.0)])
        level = padded[np.clip(everywhere[:, None] + np.arange(-3, 6), 0, None)].max(axis=1)
        bled[name] = np.maximum(level - np.sort(level)[-3:].mean(), -40.0)
    usual = np.median(list(bled.values()), axis=0)
    return {name: float((level - usual).std()) - float(np.median(level)) / 4.0 for name, level in bled.items()}


def events_of(envelopes: Mapping[str, Array]) -> IntArray:
    """Steps at which any of the microphones receives a hit, those within TOGETHER_MS merged."""
    places = sorted(int(place) for envelope in envelopes.values() for place in onsets(envelope)[0])
    return _merged(places)


def _merged(places: list[int]) -> IntArray:
    groups: list[list[int]] = []
    for place in places:
        if groups and place - groups[-1][0] <= TOGETHER_MS:
            groups[-1].append(place)
        else:
            groups.append([place])
    return np.array([int(np.median(group)) for group in groups], dtype=np.int64)


def hit_places(close: list[Channel], envelopes: Mapping[str, Array]) -> tuple[int, ...]:
    """Times in ms of hits in all close microphones, first those where one microphone stands out."""
    if not close:
        return ()
    levels = {one.name: levels_after(envelopes[one.name]) for one in close}
    found = {one.name: onsets(envelopes[one.name]) for one in close}
    tops = {name: float(np.sort(level)[-3:].mean()) if level.size else 0.0 for name, (_, level) in found.items()}
    chosen: list[int] = []
    for name, (places, level) in found.items():
        if not places.size:
            continue
        others = []
        for other, bled in levels.items():
            if other != name and bled.size:
                index = np.clip(places[:, None] + np.arange(-4, 5), 0, bled.size - 1)
                others.append(bled[index].max(axis=1) - tops[other])
        margin = level - tops[name] - (np.max(others, axis=0) if others else 0.0)
        best = np.argsort(-np.where(level - tops[name] >= -12.0, margin, -1e3), kind="stable")[:MAX_HITS]
        loudest = np.argsort(-level, kind="stable")[: MAX_HITS // 2]
        chosen += places[np.union1d(best, loudest)].tolist()
    return tuple(int(place) for place in _merged(sorted(chosen)))


SOFT_DB, SOFTEST_DB = -6.0, -26.0
WITH_DB = -6.0
"""Maximum level of a drum's hit in other close microphones above that in its own, each against its own loud hits."""


def soft_hits(name: str, close: list[Channel], envelopes: Mapping[str, Array]) -> list[float]:
    """Quieter sounds that may be hits of a microphone's own drum, in dB against its loud ones.

    They are rises that no other close microphone receives much louder, each against its own loud hits. Most bleed is
    louder where it comes from, but not all, so these are not certain to be hits.
    """
    places, level = onsets(envelopes[name])
    if places.size < 4:
        return []
    against = level - float(np.sort(level)[-3:].mean())
    others = np.full(places.size, -100.0)
    for other in close:
        if other.name == name:
            continue
        _, loud = onsets(envelopes[other.name])
        if loud.size < 4:
            continue
        bled = levels_after(envelopes[other.name])
        near = np.clip(places[:, None] + np.arange(-6, 13), 0, bled.size - 1)
        others = np.maximum(others, bled[near].max(axis=1) - float(np.sort(loud)[-3:].mean()))
    soft = (against < SOFT_DB) & (against > SOFTEST_DB) & (against - others >= WITH_DB)
    return [round(float(one), 1) for one in against[soft]]


def band_levels(stretches: FINE, rate_hz: int) -> Array:
    """Amplitude of each stretch's hit in the four bands, minus the sound before it; shape (n, 4)."""
    step = rate_hz // 1000
    at = BEFORE_MS * step
    found = np.zeros((len(stretches), len(BANDS_HZ)))
    n = 1 << (stretches.shape[1] - 1).bit_length()
    freqs = np.fft.rfftfreq(n, 1.0 / rate_hz)
    octaves = np.log2(np.maximum(freqs, 1.0))
    for first in range(0, len(stretches), 64):
        part = stretches[first : first + 64].astype(np.float64)
        spectra = np.fft.rfft(part, n)
        for band, (low, high) in enumerate(BANDS_HZ):
            rise = np.clip((octaves - np.log2(low)) * 2.0 + 0.5, 0.0, 1.0)
            fall = np.clip((np.log2(high) - octaves) * 2.0 + 0.5, 0.0, 1.0)
            y = np.fft.irfft(spectra * (rise * fall), n)[:, : part.shape[1]] ** 2
            after = y[:, at - 2 * step : at + (AFTER_MS[band] - 2) * step].mean(axis=1)
            before = y[:, at - BEFORE_HIT_MS[0] * step : at - BEFORE_HIT_MS[1] * step].mean(axis=1)
            found[first : first + 64, band] = np.sqrt(np.maximum(0.0, after - before))
    return found


def partners(close: list[Channel]) -> list[list[Channel]]:
    """Close microphones by drum; those whose names are two parts of one instrument belong together."""
    groups: dict[str, list[Channel]] = {}
    for channel in close:
        role = channel.role
        together = role.instrument in ("snare", "kick") and role.part is not None
        many = sum(other.role.instrument == role.instrument for other in close)
        key = str(role.instrument) if role.instrument in ("snare", "kick") and (together or many > 1) else channel.name
        groups.setdefault(key, []).append(channel)
    order = {"top": 0, "in": 0, None: 1, "out": 2, "under": 3}
    return [sorted(group, key=lambda one: order.get(one.role.part, 2)) for group in groups.values()]


def drums(close: list[Channel], stretches: Mapping[str, FINE], rate_hz: int) -> list[Drum]:
    """Find the drums and their hits among the common stretches."""
    groups = partners(close)
    if not groups or not len(stretches[close[0].name]):
        return []
    columns: list[Array] = []
    own: list[list[int]] = []
    loudness: list[Array] = []
    for group in groups:
        own.append([])
        for channel in group:
            levels = band_levels(stretches[channel.name], rate_hz)
            if channel is group[0]:
                loudness.append(levels)
            top = np.sort(levels, axis=0)[-3:].mean(axis=0)
            # In a band with almost no sound, noise would count.
            weight = np.where(top > 0.02 * top.max(initial=0.0), 1.0 / np.maximum(top, 1e-12), 0.0)
            own[-1] += list(range(len(columns), len(columns) + levels.shape[1]))
            columns += list((levels * weight).T)
    features = np.stack(columns, axis=1)
    strengths, patterns = unmix(features, own)
    total = (strengths @ patterns) ** 2 + 1e-12
    top = np.maximum(np.sort(strengths, axis=0)[-3:].mean(axis=0), 1e-9)
    found = []
    for drum, group in enumerate(groups):
        leading = own[drum][1:4]
        mine = (strengths[:, [drum]] * patterns[drum, leading]) ** 2
        share = mine.sum(axis=1) / total[:, leading].sum(axis=1)
        strength = strengths[:, drum] / top[drum]
        real = np.flatnonzero(strength >= REAL)
        clear = real[share[real] >= OWN_SHARE]
        rows = clear if clear.size >= 2 else real
        rows = rows[np.argsort(-share[rows] * np.minimum(1.0, strength[rows]), kind="stable")]
        rows = rows if clear.size >= 2 else rows[:3]
        instrument = group[0].role.instrument
        name = str(instrument) if len(group) > 1 and instrument else group[0].stem
        usual = np.median(loudness[drum][rows], axis=0) if rows.size else np.zeros(len(BANDS_HZ))
        names = tuple(one.name for one in group)
        found.append(Drum(name, names, rows[:40], strength, tuple(usual.tolist())))
    return found


def far_ones(channels: list[Channel], close: list[Channel]) -> list[Channel]:
    """Channels that receive the whole kit: overheads and rooms by name, and others that are not close microphones."""
    known = {channel.name for channel in close}
    return [
        channel
        for channel in channels
        if channel.name not in known and (channel.role.instrument in FAR or channel.role.instrument is None)
    ]


HEARS = 0.5
"""Minimum share of the drums' hits at which a microphone's level rises, for it to be part of the kit's recording."""
RISE_DB = 3.0


def hears(envelope: Array, events: IntArray) -> float:
    """The share of hits, in steps of a millisecond, at which a microphone's own level rises."""
    inside = events[(events > 30) & (events < envelope.size - 20)]
    if inside.size < 4:
        return 0.0
    level = levels_after(envelope)
    after = level[inside[:, None] + np.arange(0, 15)].max(axis=1)
    before = level[inside[:, None] - np.arange(8, 26)].mean(axis=1)
    # The same number of places without hits: a level that rises there as often rises by chance.
    between = (inside[1:] + inside[:-1]) // 2
    spare = level[between[:, None] + np.arange(0, 15)].max(axis=1) - level[between[:, None] - np.arange(8, 26)].mean(
        axis=1
    )
    return float((after - before >= RISE_DB).mean() - (spare >= RISE_DB).mean())
