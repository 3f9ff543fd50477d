"""chainrun measure: loudness and peaks of audio files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.options import AsJson, LimitWords, refuse
from chainrun.cli.terminal import number, problem_records, put, put_json, shortened, show_problems, table
from chainrun.errors import EXIT_AUDIO, EXIT_DONE
from chainrun.limits import Limits
from chainrun.measured import range_text
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from chainrun.measuring import FileReading


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
    from chainrun.measuring import measure_files

    if oversample not in (4, 8, 16):
        message = "--oversample is no such factor"
        raise refuse(message, given=str(oversample), allowed="4, 8, 16", code=Code.OPTION_VALUE)
    found = measure_files(files, oversample=oversample, second=second, limits=Limits.of(limit or ()))
    if as_json:
        put_json({**found.record(), "problems": problem_records(found.problems)})
        return EXIT_AUDIO if found.problems else EXIT_DONE
    if found.files:
        put(_screen(found.files, second))
    show_problems(found.problems, count=False)
    return EXIT_AUDIO if found.problems else EXIT_DONE


def _screen(readings: list[FileReading], second: bool) -> str:
    """Two tables: loudness and peaks; level and image. One file alone gets its third octaves, too."""
    head = ["file", "LUFS", "M max", "S max", "LRA", "dBTP", "dBFS", "PLR"] + (["second", "LU"] if second else [])
    lines = [table(head, [_loudness(one) for one in readings]), ""]
    head = ["file", "RMS", "crest", "DC", "floor", "corr", "S/M dB", "clips", "channels", "s"]
    lines.append(table(head, [_level(one) for one in readings]))
    if len(readings) == 1 and readings[0].measured.third_octave_db:
        bands = list(readings[0].measured.third_octave_db.items())
        lines += ["", "third octaves, Hz and dBFS:"]
        for at in range(0, len(bands), 8):
            row = bands[at : at + 8]
            lines.append("".join(f"{name:>9}" for name, _ in row))
            lines.append("".join(f"{number(db):>9}" for _, db in row))
    if any(one.measured.n_channels == 1 for one in readings):
        lines += ["", "A mono file is measured as one channel: 3 LU under the same signal on two."]
    return "\n".join(lines)


def _name(one: FileReading) -> str:
    return shortened(str(one.file), 26, keep_end=True)


def _loudness(one: FileReading) -> list[str]:
    m = one.measured
    row = [
        _name(one),
        number(m.integrated_lufs, 2),
        number(m.momentary_max_lufs),
        number(m.short_term_max_lufs),
        range_text(m.range_lu, m.n_frames, m.rate_hz),
        number(m.true_peak_dbtp, 2),
        number(m.sample_peak_dbfs, 2),
        number(m.plr_lu),
    ]
    if one.has_second:
        apart = f"{m.integrated_lufs - one.second_lufs:+.3f}" if one.second_lufs is not None else "-"
        row += [number(one.second_lufs, 2), apart]
    return row


def _level(one: FileReading) -> list[str]:
    m = one.measured
    return [
        _name(one),
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
