"""chainrun measure: loudness and peaks of audio files."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from chainrun.cli.options import AsJson, LimitWords, refuse
from chainrun.cli.terminal import number, problem_records, put, put_json, shortened, show_problems, table
from chainrun.errors import EXIT_AUDIO, EXIT_DONE, AudioError
from chainrun.limits import Limits
from chainrun.measured import range_text
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from chainrun.loudness import Measured


def command(
    files: Annotated[list[Path], typer.Argument(help="Audio files.", show_default=False)],
    oversample: Annotated[int, typer.Option("--oversample", metavar="N", help="Of the true peak: 4, 8 or 16.")] = 4,
    second: Annotated[
        bool, typer.Option("--second-opinion", help="Integrated loudness by pyloudnorm, too, and the difference.")
    ] = False,
    limit: LimitWords = None,
    as_json: AsJson = False,
) -> int:
    """Measure audio files: loudness (ITU-R BS.1770, EBU R 128), peaks, level, image, third octaves.

    Up to 6 channels, in the order L R C LFE Ls Rs; 5 are without LFE, 4 are L R Ls Rs, and a mono file is one channel.
    """
    from chainrun.audiofile import read_header
    from chainrun.measured import measured_record
    from chainrun.measuring import measure_file, second_opinion

    if oversample not in (4, 8, 16):
        message = "--oversample is no such factor"
        raise refuse(message, given=str(oversample), allowed="4, 8, 16", code=Code.OPTION_VALUE)
    limits = Limits.of(limit or ())
    records: list[dict[str, Any]] = []
    readings, problems = [], []
    for file in files:
        try:
            read_header(file, limits)
            measured = measure_file(file, oversample=oversample)
            other = second_opinion(file) if second else None
        except AudioError as error:
            problems += error.problems
            continue
        readings.append((str(file), measured, other))
        record: dict[str, Any] = {"file": str(file), "measured": measured_record(measured)}
        if second:
            known = other is not None and math.isfinite(measured.integrated_lufs)
            record["second_opinion"] = {
                "meter": "pyloudnorm",
                "integrated_lufs": round(other, 4) if other is not None else None,
                "difference_lu": round(measured.integrated_lufs - other, 4) if known and other is not None else None,
            }
        records.append(record)
    if as_json:
        put_json({"schema_version": 1, "files": records, "problems": problem_records(problems)})
    elif readings:
        put(_screen(readings, second))
    if not as_json:
        show_problems(problems, count=False)
    return EXIT_AUDIO if problems else EXIT_DONE


def _screen(readings: list[tuple[str, Measured, float | None]], second: bool) -> str:
    """Two tables: loudness and peaks; level and image. One file alone gets its third octaves, too."""
    loud, level = [], []
    for file, m, other in readings:
        name = shortened(file, 26, keep_end=True)
        loud.append(
            [
                name,
                number(m.integrated_lufs, 2),
                number(m.momentary_max_lufs),
                number(m.short_term_max_lufs),
                range_text(m.range_lu, m.n_frames, m.rate_hz),
                number(m.true_peak_dbtp, 2),
                number(m.sample_peak_dbfs, 2),
                number(m.plr_lu),
            ]
        )
        if second:
            told = f"{m.integrated_lufs - other:+.3f}" if other is not None else "-"
            loud[-1] += [number(other, 2), told]
        level.append(
            [
                name,
                number(m.rms_dbfs),
                number(m.crest_db),
                number(m.dc_dbfs, 0),
                number(m.noise_floor_dbfs),
                number(m.correlation, 2),
                number(m.side_to_mid_db),
                str(m.clipped_runs),
                f"{m.n_channels} x {m.rate_hz}",
                f"{m.n_frames / m.rate_hz:.2f}",
            ]
        )
    head = ["file", "LUFS", "M max", "S max", "LRA", "dBTP", "dBFS", "PLR"] + (["second", "LU"] if second else [])
    lines = [table(head, loud), ""]
    lines.append(table(["file", "RMS", "crest", "DC", "floor", "corr", "S/M dB", "clips", "channels", "s"], level))
    if len(readings) == 1 and readings[0][1].third_octave_db:
        bands = list(readings[0][1].third_octave_db.items())
        lines += ["", "third octaves, Hz and dBFS:"]
        for at in range(0, len(bands), 8):
            row = bands[at : at + 8]
            lines.append("".join(f"{name:>9}" for name, _ in row))
            lines.append("".join(f"{number(db):>9}" for _, db in row))
    if any(m.n_channels == 1 for _, m, _ in readings):
        lines += ["", "A mono file is measured as one channel: 3 LU under the same signal on two."]
    return "\n".join(lines)
