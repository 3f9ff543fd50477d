"""From prints to delivered files: one gain to the target, quantised with dither, measured as written."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from chainrun.audiofile import Writer
from chainrun.audiofile.write import Bits
from chainrun.engine.prints import Print, PrintSource
from chainrun.engine.result import DeliveryResult
from chainrun.engine.sources import Source, SumSource
from chainrun.errors import Problem, ResourceError
from chainrun.loudness import Measured, Meter
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


def deliver(
    order: Order, prints: Mapping[str, Print], rate_hz: int, pan_law_db: float, known: Measured | None
) -> tuple[DeliveryResult, list[str], list[str]]:
    """Write one file. Returns the result, warnings, and failures (the file is kept)."""

    def source() -> Source:
        if order.strip is not None:
            return SumSource([order.strip], prints, pan_law_db, rate_hz)
        return PrintSource(prints[order.node])

    gain_db = shortfall = 0.0
    if order.target_lufs is not None:
        before = known if known is not None and known.true_peak_dbtp is not None else _measure(source(), rate_hz)
        gain_db, shortfall = gain_to_target(before, order.target_lufs, order.max_dbtp)
    reader = source()
    order.path.parent.mkdir(parents=True, exist_ok=True)
    meter = Meter(rate_hz, reader.n_channels)
    gain = db_to_gain(gain_db)
    with Writer(
        order.path,
        rate_hz,
        reader.n_channels,
        reader.n_frames,
        bits=order.bits,
        dither=order.dither,
        seed=order.seed,
    ) as writer:
        left = reader.n_frames
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
    warnings, failures = _judge(order, measured, shortfall, writer.clipped_frames, gain_db)
    result = DeliveryResult(str(order.path), measured, writer.pcm_sha256, gain_db, order.target_lufs, shortfall)
    return result, warnings, failures


def gain_to_target(before: Measured, target_lufs: float, max_dbtp: float | None) -> tuple[float, float]:
    """The gain in dB to a loudness that does not pass a true peak, and by how much that falls short in LU."""
    if before.integrated_lufs == -math.inf:
        return 0.0, 0.0
    wanted = target_lufs - before.integrated_lufs
    if max_dbtp is None or before.true_peak_dbtp is None:
        return wanted, 0.0
    room = max_dbtp - PEAK_MARGIN_DB - before.true_peak_dbtp
    return min(wanted, room), max(0.0, wanted - room)


def _measure(source: Source, rate_hz: int) -> Measured:
    meter = Meter(rate_hz, source.n_channels)
    left = source.n_frames
    while left > 0:
        n = min(BLOCK_FRAMES, left)
        meter.feed(source.read(n))
        left -= n
    source.close()
    return meter.result()


def _judge(
    order: Order, measured: Measured, shortfall: float, clipped: int, gain_db: float
) -> tuple[list[str], list[str]]:
    name, warnings, failures = order.path.name, [], []
    if order.target_lufs is not None and measured.integrated_lufs == -math.inf:
        warnings.append(f"{name}: too quiet or too short to measure; target_lufs was left aside")
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
    return warnings, failures


def check_folder(folder: Path) -> None:
    """Make the output folder. Raises ResourceError where that cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResourceError(
            Problem(f"the output folder cannot be made ({error.strerror})", file=str(folder))
        ) from error
