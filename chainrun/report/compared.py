"""The pages of compare, verify, cull try and batch."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from chainrun import __version__
from chainrun.batch.job_record import JobRecord, counts
from chainrun.comparison.difference import Difference
from chainrun.comparison.limits import Floor
from chainrun.cull.trial import Trial
from chainrun.library.queries import Likeness
from chainrun.loudness.analysis import NOMINAL_HZ
from chainrun.measured import finite, range_text
from chainrun.report.content import (
    FREQUENCY,
    TIME,
    Axis,
    Block,
    DataTable,
    Figure,
    Page,
    Panel,
    Player,
    Players,
    Section,
    Series,
    Text,
    listed,
    number,
)
from chainrun.report.page import PagePlace
from chainrun.report.players import both
from chainrun.report.sounds import bands_figure, file_blocks, hear, image_figures, loudness_figure, wave_figure
from chainrun.verify.facts import SILENT_DB
from chainrun.verify.reports import headline
from chainrun.verify.verdicts import DeliveryPair, Refused, Verdict
from chainrun.verify.wording import cause_lines, check_text, limit_text, note_text

MEASUREMENTS = (
    ("integrated_lufs", "integrated loudness, LUFS", 2), ("momentary_max_lufs", "maximum momentary loudness, LUFS", 1),
    ("short_term_max_lufs", "maximum short-term loudness, LUFS", 1), ("range_lu", "loudness range, LU", 1),
    ("true_peak_dbtp", "true peak, dBTP", 2), ("crest_db", "crest factor, dB", 1), ("correlation", "correlation", 2),
    ("side_to_mid_db", "side relative to mid, dB", 1),
)  # fmt: skip


def compare_page(found: Difference, names: Sequence[str], place: PagePlace) -> Page:
    """The page of two sounds: what differs, players at one loudness, measurements, residual and curves."""
    sections = [
        Section("Difference", [Text(found.sentence(), "verdict")]),
        Section("Listen", [players(found, names, place, "ab")]),
        Section("Measurements", [measurements_table(found, names)]),
        Section("Residual", residual_figures(found)),
    ]
    sounds = [
        hear(file_blocks(one.path), one.measured.rate_hz, one.measured.n_channels) for one in (found.one, found.other)
    ]
    curves: list[Block] = [loudness_figure("loudness", sounds[0], None, sounds[1])]
    bands = [(f"{word}", one.measured.third_octave_db or {}) for word, one in zip("AB", sounds, strict=True)]
    curves.append(bands_figure("bands", "Third octaves", bands))
    sections.append(Section("A and B in the same figures", curves))
    for word, one in zip("AB", sounds, strict=True):
        low = word.lower()
        own: list[Block] = [wave_figure(f"wave-{low}", one), *image_figures(f"image-{low}", one)]
        sections.append(Section(f"{word} alone", own))
    sections += listed("note", found.notes())
    return Page(f"{names[0]} and {names[1]}", f"A is {names[0]}, B is {names[1]}.", sections, _facts())


def _facts() -> list[tuple[str, str]]:
    floor = Floor()
    words = f"residual at least {-floor.residual_lu:g} LU below the mix, and third octaves within "
    words += f"{floor.third_octave_db:g} dB (common practice)"
    return [("chainrun", __version__), ("counts as inaudible", words)]


def players(found: Difference, names: Sequence[str], place: PagePlace, name: str) -> Players:
    """Players of A and B at one loudness."""
    a, b = both(
        found.one.path, found.other.path, found.offset_frames, found.gain_db, folder=place.folder / "audio", name=name
    )
    return Players(
        "Matched in loudness",
        [
            Player(f"A: {names[0]}", a, f"true loudness {found.one.measured.integrated_lufs:.1f} LUFS"),
            Player(f"B: {names[1]}", b, f"true loudness {found.other.measured.integrated_lufs:.1f} LUFS"),
        ],
    )


def measurements_table(found: Difference, names: Sequence[str]) -> DataTable:
    """A table of the measurements of A, of B, and their differences."""
    rows = []
    for key, label, digits in MEASUREMENTS:
        one, other = getattr(found.one.measured, key), getattr(found.other.measured, key)
        apart = (
            other - one if one is not None and other is not None and np.isfinite(one) and np.isfinite(other) else None
        )
        short = found.one.measured.range_is_short or found.other.measured.range_is_short
        label += " (short programme)" if key == "range_lu" and short else ""
        rows.append([label, number(one, digits), number(other, digits), number(apart, digits)])
    rows.append(["residual LU", "", "", number(found.residual_lu)])
    head = ["quantity and unit", "A", "B", "B minus A"]
    return DataTable(head, rows, f"A is {names[0]}, B is {names[1]}")


def residual_figures(found: Difference, name: str = "residual") -> list[Figure]:
    """Figures of the residual over time and over frequency."""
    levels = np.clip(np.array(found.by_second_lu), -120.0, 20.0)
    seconds = np.arange(levels.size, dtype=np.float64)
    limit = Floor().residual_lu
    hz = np.array([float(one) for one in found.by_band_db])
    bands = np.clip(np.array(list(found.by_band_db.values())), -120.0, 20.0)
    moved = found.bands_where_it_differs_db or found.bands_db
    return [
        Figure(
            f"{name}-time",
            "Residual in each second",
            f"Residual in each second, maximum {levels.max(initial=-120.0):.0f} LU",
            TIME,
            [
                Panel(
                    Axis("residual", "LU"),
                    [Series("residual", seconds, levels, bars=True)],
                    limits=(-120.0, 20.0),
                    levels=[(f"{limit:g} LU: inaudible below it", limit)],
                )
            ],
        ),
        Figure(
            f"{name}-bands",
            "Residual relative to A, and B minus A, in third octaves",
            "Third octaves: level of the residual relative to A, and level of B minus level of A",
            FREQUENCY,
            [
                Panel(
                    Axis("residual relative to A", "dB"),
                    [Series("residual relative to A", hz, bands, bars=True)],
                    limits=(-120.0, 20.0),
                ),
                Panel(
                    Axis("B minus A", "dB"),
                    [Series("B minus A", np.array([float(one) for one in moved]), np.array(list(moved.values())))],
                ),
            ],
            log_hz=True,
        ),
    ]


# -- verify ----------------------------------------------------------------------------------------------------------


def verify_page(verdicts: Sequence[Verdict], refused: Sequence[Refused]) -> Page:
    """The page of verified recipes: their checks, causes of differences, and curves beside the baselines."""
    rows = [
        [one.recipe, "passed" if one.passed else "failed", f"{len(one.checks)}", f"{one.seconds:.1f}"]
        for one in verdicts
    ]
    rows += [[one.path.name, "not verified", "-", "-"] for one in refused]
    sections = [Section("Recipes", [DataTable(["recipe", "result", "checks", "time s"], rows, "All recipes")])]
    for k, one in enumerate(verdicts):
        sections.append(_verdict_section(one, f"v{k}"))
    for refusal in refused:
        problems: list[Block] = [Text(problem.text(), "failure") for problem in refusal.error.problems]
        sections.append(Section(refusal.path.name, problems))
    failed = sum(not one.passed for one in verdicts) + len(refused)
    about = f"{failed} of {len(rows)} failed" if failed else f"all {len(rows)} passed"
    return Page("Recipes compared with their baselines", about, sections, _facts())


def _verdict_section(verdict: Verdict, name: str) -> Section:
    inner = []
    if verdict.cause is not None:
        inner.append(Section("Cause", [Text(line) for line in cause_lines(verdict.cause)]))
    rows = [
        ["passed" if one.passed else "failed", one.name, check_text(one), limit_text(one) or "-"]
        for one in verdict.checks
    ]
    table = DataTable(["result", "check", "found", "allowed"], rows, f"Checks of {verdict.recipe}")
    inner.append(Section("Checks", [table]))
    inner += listed("note", map(note_text, verdict.notes))
    curves: list[Block] = []
    for k, pair in enumerate(verdict.compared):
        curves += _baseline_and_now(f"{name}-{k}", pair)
    if curves:
        inner.append(Section("Baseline and now", curves))
    return Section(verdict.recipe, [Text(headline(verdict), "passed" if verdict.passed else "failure")], inner)


def _baseline_and_now(name: str, pair: DeliveryPair) -> list[Figure]:
    file, curves, bands = pair.delivery, [], []
    for word, facts in (("baseline", pair.was), ("now", pair.now)):
        curve = facts.curve()
        t = np.arange(1.0, curve.size + 1.0, dtype=np.float64) * facts.curve_step_s
        curves.append(Series(word, t, np.where(curve > SILENT_DB, curve, np.nan)))
        levels = facts.third_octaves()
        bands.append(Series(word, np.array(NOMINAL_HZ, dtype=np.float64), np.where(levels > -120.0, levels, np.nan)))
    return [
        Figure(
            f"{name}-curve",
            f"{file}: short-term loudness",
            f"Short-term loudness of {file} over time, in the baseline and now",
            TIME,
            [Panel(Axis("loudness", "LUFS"), curves)],
        ),
        Figure(
            f"{name}-bands",
            f"{file}: third octaves",
            f"Third octaves of {file}, in the baseline and now",
            FREQUENCY,
            [Panel(Axis("level", "dBFS"), bands)],
            log_hz=True,
        ),
    ]


# -- a cull ----------------------------------------------------------------------------------------------------------


def cull_page(trial: Trial, alike: Likeness, place: PagePlace) -> Page:
    """The page of a cull: presets that are alike, and every session that it changes, without and with it."""
    inner = []
    for k, one in enumerate(trial.tried):
        blocks: list[Block] = [Text(one.sentence(), "verdict" if one.error is None else "failure")]
        blocks += [Text(reading, "note") for reading in one.readings]
        if one.found is not None and one.files is not None:
            blocks.append(players(one.found, ["without the cull", "with the cull"], place, f"s{k}"))
            blocks += residual_figures(one.found, f"s{k}")
        inner.append(Section(one.name, blocks))
    sections = [Section("Presets that are alike", _likeness_tables(alike)), Section("Cost", [_costs_table(trial)])]
    if inner:
        sections.append(Section("Sessions", [], inner))
    n = len(trial.tried)
    about = f"It changes {n or 'no'} session{'' if n == 1 else 's'}."
    return Page(f"The cull of {trial.plan.file.year}", about, sections, _facts())


def _likeness_tables(alike: Likeness) -> list[Block]:
    groups = [[", ".join(group.presets), group.keep] for group in alike.groups]
    pairs = [
        [
            one.one,
            one.other,
            number(one.residual_lu),
            one.worst,
            f"{one.response_db:.1f}",
            number(one.gain_db),
        ]
        for one in alike.alike
    ]
    head = ["preset", "other preset", "residual LU", "on", "maximum response difference dB", "level difference dB"]
    return [
        DataTable(["presets that are alike", "keep"], groups, "Groups"),
        DataTable(head, pairs, "Pairs, matched in level, with the test signal on which they differ most"),
    ]


def _costs_table(trial: Trial) -> DataTable:
    rows = [
        [
            one.name,
            ", ".join(one.affected.presets),
            ", ".join(one.affected.nodes),
            number(one.found.residual_lu if one.found else None),
            number(one.level_change_lu),
            "over" if one.crosses(trial.plan) else "within",
        ]
        for one in trial.tried
    ]
    file = trial.plan.file
    head = ["session", "presets", "nodes", "residual LU", "loudness change LU", "limits"]
    limits = f"residual {file.max_residual_lu:g} LU, loudness change {file.max_level_change_lu:g} LU"
    return DataTable(head, rows, f"Cost, the highest first; limits: {limits}")


def batch_page(records: Sequence[JobRecord], title: str, seconds: float) -> Page:
    """The page of a batch: all its jobs, their failures, and what their overlays change."""
    head = [
        "job",
        "state",
        "loudness LUFS",
        "true peak dBTP",
        "loudness range LU",
        "residual of overlays LU",
        "time s",
        "files",
    ]
    rows = [_job_row(record) for record in records]
    sections = listed("failure", [f"{one.job}: {one.error}" for one in records if one.error])
    sections.append(Section("Jobs", [DataTable(head, rows, "All jobs; click a head to sort")]))
    moves: list[Block] = [Text(f"{one.job}: {one.difference.verdict}") for one in records if one.difference is not None]
    sections += [Section("Changes by overlays", moves)] if moves else []
    return Page(title, f"{counts(records)} in {seconds:.1f} s", sections, [("chainrun", __version__)])


def _job_row(record: JobRecord) -> list[str]:
    deliveries = record.result.deliveries if record.result is not None else ()
    m = deliveries[0].measured if deliveries else None
    return [
        record.job,
        record.state.value,
        number(finite(m.integrated_lufs), 2) if m is not None else "-",
        number(finite(m.true_peak_dbtp), 2) if m is not None else "-",
        range_text(finite(m.range_lu, 4), m.n_frames, m.rate_hz) if m is not None else "-",
        number(record.difference.residual_lu) if record.difference is not None else "-",
        f"{record.seconds:.1f}",
        ", ".join(Path(one.file).name for one in record.files),
    ]
