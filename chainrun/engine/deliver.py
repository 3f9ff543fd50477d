"""From prints to delivered files: one gain to the target, quantised with dither, measured as written."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from chainrun.audiofile import Writer
from chainrun.audiofile.write import Bits
from chainrun.dsp.arrays import Array
from chainrun.engine.prints import Print, PrintSource
from chainrun.engine.result import DeliveryResult, NodeResult
from chainrun.engine.sources import Source, SumSource
from chainrun.errors import Problem, ResourceError
from chainrun.loudness import Measured, Meter, gain_to_loudness
from chainrun.plan import Input
from chainrun.units import db_to_gain

BLOCK_FRAMES = 61_440
PEAK_MARGIN_DB = 0.001
"""Kept under max_dbtp, so that dither and rounding cannot pass it."""


@dataclass(frozen=True)
class Order:
    """A file to write: which print, how, and where."""

    node: str
    path: Path
    bits: Bits
    dither: bool
    seed: int
    target_lufs: float | None
    max_dbtp: float | None
    strip: Input | None
    """Fader and pan to go through, where they are asked for."""
    frames: tuple[int, ...] | None = None
    """First frame of a stretch, and the one behind its last."""


def deliver(
    order: Order, prints: Mapping[str, Print], rate_hz: int, pan_law_db: float, known: NodeResult | None = None
) -> tuple[DeliveryResult, list[str]]:
    """Write one file. Returns the result, and what failed (the file is kept).

    `known` is what was measured of the whole print, where that is there: the gain to a target is found from it.
    """
    begin = order.frames[0] if order.frames is not None else 0

    def source() -> Source:
        if order.strip is not None:
            return SumSource([order.strip], prints, pan_law_db, rate_hz, begin)
        return PrintSource(prints[order.node], begin)

    def frames(reader: Source) -> int:
        return order.frames[1] - begin if order.frames is not None else reader.n_frames

    gain_db = shortfall = 0.0
    if order.target_lufs is not None:
        if known is not None and order.strip is None:
            powers, peak = np.array(known.block_powers), known.measured.true_peak_dbtp
        if known is None or order.strip is not None or (peak is None and order.max_dbtp is not None):
            heard = source()
            powers, peak = _measured(heard, frames(heard), rate_hz, order.max_dbtp is not None)
        gain_db, shortfall = _gain_to_target(powers, peak, order.target_lufs, order.max_dbtp)
    reader = source()
    n_frames = frames(reader)
    check_folder(order.path.parent)
    meter = Meter(rate_hz, reader.n_channels)
    gain = db_to_gain(gain_db)
    with Writer(
        order.path,
        rate_hz,
        reader.n_channels,
        n_frames,
        bits=order.bits,
        dither=order.dither,
        seed=order.seed,
    ) as writer:
        left = n_frames
        while left > 0:
            n = min(BLOCK_FRAMES, left)
            x = reader.read(n)
            if gain != 1.0:
                x *= gain
            meter.feed(writer.write(x))
            left -= n
        writer.finish()
    reader.close()
    measured = meter.result()
    # A stretch at the whole mix's gain has no target of its own.
    whole_gain = order.frames is not None and known is not None
    judged = replace(order, target_lufs=None) if whole_gain else order
    failures = _judge(judged, measured, 0.0 if whole_gain else shortfall, writer.clipped_frames, gain_db)
    result = DeliveryResult(str(order.path), measured, writer.pcm_sha256, gain_db, order.target_lufs, shortfall)
    return result, failures


def _measured(source: Source, n_frames: int, rate_hz: int, true_peak: bool) -> tuple[Array, float | None]:
    """Powers of the 400 ms blocks, and the true peak where it is wanted."""
    meter = Meter(rate_hz, source.n_channels, true_peak=true_peak)
    left = n_frames
    while left > 0:
        n = min(BLOCK_FRAMES, left)
        meter.feed(source.read(n))
        left -= n
    source.close()
    return meter.block_powers(), meter.result().true_peak_dbtp


def _gain_to_target(
    powers: Array, peak: float | None, target_lufs: float, max_dbtp: float | None
) -> tuple[float, float]:
    """The gain in dB to a loudness that does not pass a true peak, and by how much that falls short in LU."""
    wanted = gain_to_loudness(powers, target_lufs)
    if wanted is None:
        return 0.0, 0.0
    if max_dbtp is None or peak is None:
        return wanted, 0.0
    room = max_dbtp - PEAK_MARGIN_DB - peak
    return min(wanted, room), max(0.0, wanted - room)


def _judge(order: Order, measured: Measured, shortfall: float, clipped: int, gain_db: float) -> list[str]:
    name = order.path.name
    failures: list[str] = []
    if order.target_lufs is not None and measured.integrated_lufs == -math.inf:
        failures.append(f"{name}: too quiet or too short to be measured, so that target_lufs cannot be met")
    elif order.target_lufs is not None and shortfall <= 0.05:
        missed = measured.integrated_lufs - order.target_lufs
        if abs(missed) > 0.1:
            failures.append(f"{name}: {measured.integrated_lufs:.2f} LUFS, {missed:+.2f} LU from the target")
    if shortfall > 0.05:
        failures.append(
            f"{name}: {measured.integrated_lufs:.2f} LUFS, {shortfall:.2f} LU short of the target "
            f"{order.target_lufs:g} LUFS: more gain than {gain_db:+.2f} dB would pass {order.max_dbtp:g} dBTP"
        )
    peak = measured.true_peak_dbtp
    if order.max_dbtp is not None and peak is not None and peak > order.max_dbtp + 0.005:
        failures.append(f"{name}: true peak {peak:.2f} dBTP is above max_dbtp = {order.max_dbtp:g}")
    if clipped:
        failures.append(f"{name}: {clipped} frames did not fit into {order.bits} bits and were clipped")
    return failures


def check_folder(folder: Path) -> None:
    """Make the output folder. Raises ResourceError where that cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResourceError(
            Problem(f"the output folder cannot be made ({error.strerror})", file=str(folder))
        ) from error
