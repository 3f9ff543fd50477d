"""Writes delivered files: gain to the target, true peak below a maximum, measured as written (or as decoded)."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryFile

import numpy as np

from chainrun import __version__
from chainrun.audiofile import Reader, Writer
from chainrun.audiofile.bext import Broadcast
from chainrun.audiofile.write import LOSSY
from chainrun.delivery.result import DeliveryResult, Miss
from chainrun.delivery.stream import DeliveryStream
from chainrun.dsp.arrays import Array
from chainrun.engine.result import NodeResult
from chainrun.engine.sources import SignalSource, SumSource
from chainrun.errors import Problem, ResourceError
from chainrun.loudness import Analysis, Measured, Meter, gain_to_loudness
from chainrun.measured import measured_record
from chainrun.plan.deliveries import DeliverySpec, sidecar_of
from chainrun.problem_codes import Code
from chainrun.store.prints import Print, PrintSource
from chainrun.whole_file import write_whole

PEAK_MARGIN_DB = 0.001
"""Margin below max_dbtp, so that dither and rounding cannot exceed it."""
DEFAULT_CEILING_DBTP = -1.0
MAX_ROUNDS = 12
MAX_LOSSY_TRIES = 6
MAX_STEP_DB = 12.0
TOLERANCE_LU = 0.005
MIN_SLOPE = 0.1
"""Minimum loudness after the limiter that a dB of gain must still add, in LU."""
LOUD_LUFS, HOT_DBTP, MUCH_DC_DBFS, MUCH_DBFS = -9.0, -0.1, -40.0, -30.0
"""Levels above which there are cautions: loudness, true peak, DC, and sound outside 15 Hz to 18 kHz."""


def deliver(
    spec: DeliverySpec,
    prints: Mapping[str, Print],
    rate_hz: int,
    pan_law_db: float,
    *,
    known: NodeResult | None = None,
    recipe_hash: str = "",
) -> tuple[DeliveryResult, list[Miss]]:
    """Write one file. Returns the result and the requirements it misses (the file is kept).

    `known` is the result of the whole print, if there is one; it saves a measurement of the print.
    """
    stream = _stream_of(spec, prints, rate_hz, pan_law_db, frames=spec.frames, is_stretch=spec.is_stretch)
    # A stretch of a whole print gets the gain of the whole delivery, and has no target of its own.
    whole_gain = spec.is_stretch and known is not None
    searched = _searched(spec, prints, rate_hz, pan_law_db, known)
    check_folder(spec.path.parent)
    lossy = spec.path.suffix.lower() in LOSSY
    ceiling, aim = spec.max_dbtp, spec.target_lufs
    for _ in range(MAX_LOSSY_TRIES if lossy else 1):
        gain_db, shortfall, limited = _fit(replace(spec, target_lufs=aim), searched, known, ceiling)
        measured, pcm_sha256, clipped = _write(spec, stream, gain_db, limited, recipe_hash)
        if whole_gain:
            break
        # The decoded level of a lossy format cannot be predicted: it is measured, and the gain corrected.
        over = (measured.true_peak_dbtp or 0.0) - (spec.max_dbtp if spec.max_dbtp is not None else math.inf)
        missed = spec.target_lufs - measured.integrated_lufs if spec.target_lufs is not None else 0.0
        if over <= 0.0 and (abs(missed) < 0.05 or not math.isfinite(missed) or shortfall > 0.05):
            break
        if over > 0.0:
            ceiling = (ceiling if ceiling is not None else 0.0) - over - 0.05
        if aim is not None and math.isfinite(missed) and abs(missed) >= 0.05:
            aim += missed
    judged = replace(spec, target_lufs=None) if whole_gain else spec
    misses = _judge(judged, measured, 0.0 if whole_gain else shortfall, clipped, gain_db)
    result = DeliveryResult(
        str(spec.path),
        measured,
        pcm_sha256,
        gain_db,
        spec.target_lufs,
        shortfall,
        stream.reduction_max_db if limited is not None else None,
        tuple(cautions(spec.path.name, measured)),
        spec.gain_of or ("the whole mix" if whole_gain and spec.target_lufs is not None else ""),
    )
    if spec.sidecar:
        _write_sidecar(spec.path, result, recipe_hash)
    return result, misses


def _stream_of(
    spec: DeliverySpec,
    prints: Mapping[str, Print],
    rate_hz: int,
    pan_law_db: float,
    *,
    frames: tuple[int, ...] | None,
    is_stretch: bool,
) -> DeliveryStream:
    def source() -> SignalSource:
        begin = frames[0] if frames is not None else 0
        if spec.strip is not None:
            return SumSource([spec.strip], prints, pan_law_db, rate_hz, begin)
        return PrintSource(prints[spec.node], begin)

    return DeliveryStream(replace(spec, frames=frames, is_stretch=is_stretch), source, rate_hz)


def _searched(
    spec: DeliverySpec, prints: Mapping[str, Print], rate_hz: int, pan_law_db: float, known: NodeResult | None
) -> DeliveryStream:
    """Stream from which the gain is computed: the whole delivery for a stretch of a whole print, else the delivery."""
    if spec.is_stretch and known is not None:
        return _stream_of(spec, prints, rate_hz, pan_law_db, frames=spec.own_frames, is_stretch=False)
    return _stream_of(spec, prints, rate_hz, pan_law_db, frames=spec.frames, is_stretch=spec.is_stretch)


def at_the_gain_of_the_whole(
    spec: DeliverySpec, prints: Mapping[str, Print], rate_hz: int, pan_law_db: float, known: NodeResult | None
) -> DeliverySpec:
    """Spec of a solo with the gain that the delivery has in the whole mix; `prints` are the whole mix's."""
    stream = _searched(spec, prints, rate_hz, pan_law_db, known)
    gain_db, _, ceiling = _fit(spec, stream, known, spec.max_dbtp)
    return replace(
        spec,
        target_lufs=None,
        gain_db=gain_db,
        max_dbtp=ceiling if spec.fit == "limiter" else spec.max_dbtp,
        gain_of="the whole mix",
    )


# -- the gain ----------------------------------------------------------------------------------------------------


def _fit(
    spec: DeliverySpec, stream: DeliveryStream, known: NodeResult | None, ceiling: float | None
) -> tuple[float, float, float | None]:
    """Gain in dB, shortfall from the target in LU, and the limiter's ceiling (None without a limiter)."""
    if spec.target_lufs is None:
        return spec.gain_db, 0.0, ceiling if spec.fit == "limiter" else None
    if known is not None and spec.is_plain:
        powers, peak = np.array(known.block_powers), known.measured.true_peak_dbtp
    else:
        powers, peak = np.empty(0), None
    if spec.fit == "limiter":
        return _fit_by_limiting(spec.target_lufs, stream, DEFAULT_CEILING_DBTP if ceiling is None else ceiling)
    if powers.size == 0 or (peak is None and ceiling is not None):
        powers, peak = _measured(stream, 0.0, None, ceiling is not None)
    wanted = gain_to_loudness(powers, spec.target_lufs)
    if wanted is None:
        return 0.0, 0.0, None
    if ceiling is None or peak is None:
        return wanted, 0.0, None
    headroom = ceiling - PEAK_MARGIN_DB - peak
    return min(wanted, headroom), max(0.0, wanted - headroom), None


def _fit_by_limiting(target_lufs: float, stream: DeliveryStream, ceiling: float) -> tuple[float, float, float | None]:
    """Gain, shortfall and ceiling that reach the loudness after the limiter; iterative, since limiting lowers it."""
    powers, _ = _measured(stream, 0.0, None, False)
    gain = gain_to_loudness(powers, target_lufs)
    if gain is None:
        return 0.0, 0.0, ceiling
    missing, before = 0.0, None
    for _ in range(MAX_ROUNDS):
        powers, _ = _measured(stream, gain, ceiling, False)
        more = gain_to_loudness(powers, target_lufs)
        missing = more if more is not None else 0.0
        if abs(missing) < TOLERANCE_LU:
            return gain, 0.0, ceiling
        # Secant method: after a limiter each dB of gain adds less than 1 LU.
        slope = (before[1] - missing) / (gain - before[0]) if before is not None and gain != before[0] else 1.0
        if missing > 0.0 and slope < MIN_SLOPE:
            break  # out of reach: the limiter would take away any further gain
        before = (gain, missing)
        gain += max(-MAX_STEP_DB, min(MAX_STEP_DB, missing / max(slope, MIN_SLOPE)))
    return gain, max(0.0, missing), ceiling


def _measured(
    stream: DeliveryStream, gain_db: float, ceiling: float | None, true_peak: bool
) -> tuple[Array, float | None]:
    """Powers of the 400 ms blocks, and the true peak in dBTP if `true_peak`, else None."""
    meter = Meter(stream.rate_hz, stream.n_channels, true_peak=true_peak)
    for x in stream.blocks(gain_db, ceiling):
        meter.feed(x)
    return meter.block_powers(), meter.result().true_peak_dbtp


# -- the file ----------------------------------------------------------------------------------------------------


def _write(
    spec: DeliverySpec, stream: DeliveryStream, gain_db: float, ceiling: float | None, recipe_hash: str
) -> tuple[Measured, str, int]:
    """Write the file; returns its measurement, the hash of its samples, and the number of clipped frames."""
    analysis = Analysis(stream.rate_hz, stream.n_channels, every=8)
    tags = {**spec.tags, "comment": spec.tags.get("comment") or f"recipe {recipe_hash}, chainrun {__version__}"}
    tagged = spec.tags or spec.bext or spec.sidecar

    def broadcast() -> Broadcast:
        found = analysis.result()
        return Broadcast(
            spec.tags.get("title", spec.path.stem),
            spec.tags.get("artist", ""),
            recipe_hash[:32],
            spec.tags.get("date", ""),
            found.integrated_lufs,
            found.range_lu,
            found.true_peak_dbtp,
            found.momentary_max_lufs,
            found.short_term_max_lufs,
        )

    with Writer(
        spec.path,
        stream.rate_hz,
        stream.n_channels,
        stream.n_frames,
        bits=spec.bits,
        dither=spec.dither,
        seed=spec.seed,
        quality_pct=spec.quality_pct,
        tags=tags if tagged else None,
        broadcast=broadcast if spec.bext else None,
    ) as writer:
        for x in stream.blocks(gain_db, ceiling):
            analysis.feed(writer.write(x))
        writer.finish()
    measured = analysis.result()
    if spec.path.suffix.lower() in LOSSY:
        measured = _decoded(spec.path)
    return measured, writer.pcm_sha256, writer.clipped_frames


def _decoded(path: Path) -> Measured:
    with Reader(path) as reader:
        analysis = Analysis(reader.header.rate_hz, reader.header.n_channels, every=8)
        for block in reader.blocks():
            analysis.feed(block)
    return analysis.result()


def _write_sidecar(path: Path, result: DeliveryResult, recipe_hash: str) -> None:
    """Write NAME.json next to the file: the recipe that made it, and its measurement."""
    document = {
        "schema_version": 1,
        "engine": __version__,
        "recipe_hash": recipe_hash,
        "file": path.name,
        "pcm_sha256": result.pcm_sha256,
        "gain_db": round(result.gain_db, 4),
        "measured": measured_record(result.measured),
    }
    write_whole(sidecar_of(path), json.dumps(document, indent=1, allow_nan=False), "the sidecar")


# -- cautions and misses -----------------------------------------------------------------------------------------


def cautions(name: str, measured: Measured) -> list[str]:
    """Warnings about levels that can hurt ears or loudspeakers. The limits are our own: common practice."""
    found = []
    if measured.integrated_lufs > LOUD_LUFS:
        found.append(
            f"{measured.integrated_lufs:.1f} LUFS is very loud: turn the listening level down before you play it"
        )
    if measured.true_peak_dbtp is not None and measured.true_peak_dbtp > HOT_DBTP:
        found.append(f"a true peak of {measured.true_peak_dbtp:.1f} dBTP can clip converters and lossy formats")
    if measured.dc_dbfs is not None and measured.dc_dbfs > MUCH_DC_DBFS:
        found.append(f"DC of {measured.dc_dbfs:.0f} dBFS pushes loudspeaker cones off centre: dc_block removes it")
    for level, what in (
        (measured.above_18_khz_dbfs, "above 18 kHz: many people cannot hear it, and it can damage tweeters"),
        (measured.below_15_hz_dbfs, "below 15 Hz: inaudible, but it moves woofers"),
    ):
        if level is not None and level > MUCH_DBFS:
            found.append(f"{level:.0f} dBFS {what}")
    return [f"caution, {name}: {text}" for text in found]


def _judge(spec: DeliverySpec, measured: Measured, shortfall: float, clipped: int, gain_db: float) -> list[Miss]:
    """Requirements of the recipe that the file misses."""
    found: list[Miss] = []

    def miss(code: Code, sentence: str) -> None:
        found.append(Miss(spec.path.name, code, sentence))

    lufs, peak = measured.integrated_lufs, measured.true_peak_dbtp
    if spec.target_lufs is not None and lufs == -math.inf:
        miss(Code.LOUDNESS_NOT_MEASURED, "too quiet or too short to measure, so target_lufs cannot be met")
    elif spec.target_lufs is not None and shortfall <= 0.05:
        missed = lufs - spec.target_lufs
        if abs(missed) > 0.1:
            miss(Code.TARGET_MISSED, f"{lufs:.2f} LUFS, {missed:+.2f} LU from the target")
    if shortfall > 0.05 and spec.fit == "gain":
        short = f"{lufs:.2f} LUFS, {shortfall:.2f} LU short of the target {spec.target_lufs:g} LUFS"
        miss(Code.TARGET_MISSED, f"{short}: more gain than {gain_db:+.2f} dB would exceed {spec.max_dbtp:g} dBTP")
    elif shortfall > 0.05:
        miss(Code.TARGET_MISSED, f"{lufs:.2f} LUFS; no gain before the limiter reaches the target")
    if spec.max_dbtp is not None and peak is not None and peak > spec.max_dbtp + 0.005:
        miss(Code.TRUE_PEAK_OVER, f"true peak {peak:.2f} dBTP is above max_dbtp = {spec.max_dbtp:g}")
    if clipped:
        miss(Code.CLIPPED, f"{clipped} frames did not fit into {spec.bits} bits and were clipped")
    return found


def check_folder(folder: Path, *, writable: bool = False) -> None:
    """Create the output folder; with `writable`, check that it can be written to. Raises ResourceError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResourceError(
            Problem(
                f"the output folder cannot be created ({error.strerror})",
                file=str(folder),
                code=Code.OUTPUT_NOT_WRITABLE,
            )
        ) from error
    if writable:  # before hours of work, not after them
        try:
            with TemporaryFile(dir=folder):
                pass
        except OSError as error:
            raise not_writable(folder, error) from error


def not_writable(folder: Path, error: OSError) -> ResourceError:
    """Error for an output folder that cannot be written to."""
    message = f"the output folder cannot be written to ({error.strerror})"
    return ResourceError(Problem(message, file=str(folder), code=Code.OUTPUT_NOT_WRITABLE))
