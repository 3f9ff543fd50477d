"""chainrun measure: loudness and peaks of audio files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from chainrun.cli.options import AsJson
from chainrun.cli.terminal import number, put, put_json, shortened, table, talk
from chainrun.errors import EXIT_AUDIO, EXIT_DONE, AudioError


def command(
    files: Annotated[list[Path], typer.Argument(help="Audio files.", show_default=False)],
    as_json: AsJson = False,
) -> int:
    """Measure audio files: integrated loudness (ITU-R BS.1770), true peak, sample peak, length."""
    from chainrun.engine.measure import measure_file
    from chainrun.engine.result import measured_record

    readings, problems = [], []
    for file in files:
        try:
            readings.append((str(file), measure_file(file)))
        except AudioError as error:
            problems += error.problems
    if as_json:
        put_json(
            {
                "schema_version": 1,
                "files": [{"file": file, "measured": measured_record(measured)} for file, measured in readings],
                "problems": [problem.record() for problem in problems],
            }
        )
        return EXIT_AUDIO if problems else EXIT_DONE
    rows = [
        [
            shortened(file, 36, keep_end=True),
            number(measured.integrated_lufs, 2),
            number(measured.true_peak_dbtp, 2),
            number(measured.sample_peak_dbfs, 2),
            str(measured.n_channels),
            str(measured.rate_hz),
            f"{measured.n_frames / measured.rate_hz:.2f}",
        ]
        for file, measured in readings
    ]
    if rows:
        put(table(["file", "LUFS", "dBTP", "dBFS", "ch", "Hz", "s"], rows))
    for problem in problems:
        talk(problem.text())
    return EXIT_AUDIO if problems else EXIT_DONE
