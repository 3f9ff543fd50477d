"""chainrun measure: loudness and peaks of audio files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.options import AsJson, LimitWords, Quiet, limits_of, matching, refuse
from chainrun.cli.terminal import number, problem_records, put, put_json, shortened, show_problems, table
from chainrun.errors import EXIT_AUDIO, EXIT_DONE
from chainrun.measured import range_text
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from chainrun.measuring import FileReading


def command(
    files: Annotated[
        list[str],
        typer.Argument(metavar="FILES", help="Audio files, or patterns in quotes: 'out/*.wav'.", show_default=False),
    ],
    oversample: Annotated[
        int, typer.Option("--oversample", metavar="N", help="Oversampling of the true peak: 4, 8 or 16.")
    ] = 4,
    second: Annotated[
        bool, typer.Option("--second-opinion", help="Also measure integrated loudness with pyloudnorm, and compare.")
    ] = False,
    limit: LimitWords = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Measure loudness, peaks and image of audio files.

    Loudness and true peak to ITU-R BS.1770 and EBU R 128, sample peak, RMS, crest factor, DC, noise floor, correlation,
    and the third octaves of a single file. Files have up to 6 channels: L R C LFE Ls Rs; 5 are without LFE, 4 are
    L R Ls Rs; a mono file counts as one channel.
    """
    from chainrun.measuring import measure_files

    if oversample not in (4, 8, 16):
        raise refuse(
            "--oversample takes another factor", given=str(oversample), allowed="4, 8, 16", code=Code.OPTION_VALUE
        )
    found = measure_files(matching(files, "file"), oversample=oversample, second=second, limits=limits_of(limit))
    if as_json:
        put_json({**found.record(), "problems": problem_records(found.problems)})
        return EXIT_AUDIO if found.problems else EXIT_DONE
    if found.files:
        put(_screen(found.files, second))
    show_problems(found.problems, count=False)
    return EXIT_AUDIO if found.problems else EXIT_DONE


def _screen(readings: list[FileReading], second: bool) -> str:
    """Tables of loudness and peaks, of levels, and of image and length; of a single file its third octaves, too."""
    head = ["file", "integrated\nLUFS", "momentary\nLUFS", "short-term\nLUFS", "range\nLU", "true peak\ndBTP"]
    lines = [table(head, [_loudness(one) for one in readings]), ""]
    head = [
        "file",
        "peak\ndBFS",
        "RMS\ndBFS",
        "crest\ndB",
        "PLR\nLU",
        "DC\ndBFS",
        "noise\nfloor\ndBFS",
        "clipped\nruns",
    ]
    lines += [table(head, [_levels(one) for one in readings]), ""]
    head = ["file", "channels", "rate\nHz", "length\ns", "correlation", "side/mid\ndB"]
    lines.append(table(head, [_image(one) for one in readings]))
    if second:
        head = ["file", "pyloudnorm\nLUFS", "ours - theirs\nLU"]
        lines += ["", table(head, [_second(one) for one in readings])]
    if len(readings) == 1 and readings[0].measured.third_octave_db:
        bands = list(readings[0].measured.third_octave_db.items())
        lines += ["", "third octaves: centre in Hz, level in dBFS"]
        for at in range(0, len(bands), 8):
            row = bands[at : at + 8]
            lines.append("".join(f"{name:>9}" for name, _ in row))
            lines.append("".join(f"{number(db):>9}" for _, db in row))
    if any(one.measured.n_channels == 1 for one in readings):
        lines += ["", "A mono file counts as one channel: 3 LU below the same signal on two channels."]
    return "\n".join(lines)


def _name(one: FileReading) -> str:
    return shortened(str(one.file), 22, keep_end=True)


def _loudness(one: FileReading) -> list[str]:
    m = one.measured
    return [
        _name(one),
        number(m.integrated_lufs, 2),
        number(m.momentary_max_lufs),
        number(m.short_term_max_lufs),
        range_text(m.range_lu, m.n_frames, m.rate_hz),
        number(m.true_peak_dbtp, 2),
    ]


def _levels(one: FileReading) -> list[str]:
    m = one.measured
    return [
        _name(one),
        number(m.sample_peak_dbfs, 2),
        number(m.rms_dbfs),
        number(m.crest_db),
        number(m.plr_lu),
        number(m.dc_dbfs, 0),
        number(m.noise_floor_dbfs),
        str(m.clipped_runs),
    ]


def _image(one: FileReading) -> list[str]:
    m = one.measured
    length = f"{m.n_frames / m.rate_hz:.2f}"
    return [_name(one), str(m.n_channels), str(m.rate_hz), length, number(m.correlation, 2), number(m.side_to_mid_db)]


def _second(one: FileReading) -> list[str]:
    ours, theirs = one.measured.integrated_lufs, one.second_lufs
    return [_name(one), number(theirs, 2), f"{ours - theirs:+.3f}" if theirs is not None else "-"]
