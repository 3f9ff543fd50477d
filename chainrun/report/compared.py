"""Pages of comparisons: two sounds, a verification, what a cull moves."""

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
    number,
)
from chainrun.report.page import PagePlace
from chainrun.report.players import both
from chainrun.report.sounds import bands_figure, file_blocks, hear, image_figures, loudness_figure, wave_figure
from chainrun.verify.facts import SILENT_DB
from chainrun.verify.reports import headline
from chainrun.verify.verdicts import DeliveryPair, Refused, Verdict
from chainrun.verify.wording import cause_lines, check_text, limit_text, note_text

FIGURES = (
    ("integrated_lufs", "integrated loudness, LUFS", 2), ("momentary_max_lufs", "loudest 400 ms, LUFS", 1),
    ("short_term_max_lufs", "loudest 3 s, LUFS", 1), ("range_lu", "loudness range, LU", 1),
    ("true_peak_dbtp", "true peak, dBTP", 2), ("crest_db", "crest, dB", 1), ("correlation", "correlation", 2),
    ("side_to_mid_db", "side against mid, dB", 1),
)  # fmt: skip


def compare_page(found: Difference, names: Sequence[str], place: PagePlace) -> Page:
    """Two sounds against each other, with players at one level."""
    sections = [
        Section("What differs", [Text(found.sentence(), "verdict"), *(Text(note, "note") for note in found.notes())]),
        Section("To listen to", [players(found, names, place, "ab")]),
        Section("In figures", [figures_table(found, names)]),
        Section("The residual", residual_figures(found)),
    ]
    sounds = [
        hear(file_blocks(one.path), one.measured.rate_hz, one.measured.n_channels) for one in (found.one, found.other)
    ]
    curves: list[Block] = [loudness_figure("loudness", sounds[0], None, sounds[1])]
    bands = [(f"{word}", one.measured.third_octave_db or {}) for word, one in zip("AB", sounds, strict=True)]
    curves.append(bands_figure("bands", "Third octaves", bands))
    for word, one in zip("AB", sounds, strict=True):
        curves += [wave_figure(f"wave-{word.lower()}", one), *image_figures(f"image-{word.lower()}", one)]
    sections.append(Section("Both over each other", curves))
    return Page(f"{names[0]} and {names[1]}", "A is the first, B the second", sections, _facts())


def _facts() -> list[tuple[str, str]]:
    floor = Floor()
    told = f"a residual of {floor.residual_lu:g} LU with third octaves within {floor.third_octave_db:g} dB"
    told += " is not heard (common practice)"
    return [("chainrun", __version__), ("counted as no difference", told)]


def players(found: Difference, names: Sequence[str], place: PagePlace, name: str) -> Players:
    """A and B at one loudness."""
    a, b = both(
        found.one.path, found.other.path, found.offset_frames, found.gain_db, folder=place.folder / "audio", name=name
    )
    return Players(
        "matched in loudness",
        [
            Player(f"A: {names[0]}", a, f"{found.one.measured.integrated_lufs:.1f} LUFS as it is"),
            Player(f"B: {names[1]}", b, f"{found.other.measured.integrated_lufs:.1f} LUFS as it is"),
        ],
    )


def figures_table(found: Difference, names: Sequence[str]) -> DataTable:
    """What both measure."""
    rows = []
    for key, label, digits in FIGURES:
        one, other = getattr(found.one.measured, key), getattr(found.other.measured, key)
        apart = (
            other - one if one is not None and other is not None and np.isfinite(one) and np.isfinite(other) else None
        )
        short = found.one.measured.range_is_short or found.other.measured.range_is_short
        label += " (short programme)" if key == "range_lu" and short else ""
        rows.append([label, number(one, digits), number(other, digits), number(apart, digits)])
    rows.append(["residual LU", "", "", number(found.residual_lu)])
    return DataTable(["", "A", "B", "B - A"], rows, f"A is {names[0]}, B is {names[1]}")


def residual_figures(found: Difference, name: str = "residual") -> list[Figure]:
    """What differs, over time and over frequency."""
    levels = np.clip(np.array(found.by_second_lu), -120.0, 20.0)
    seconds = np.arange(levels.size, dtype=np.float64)
    limit = Floor().residual_lu
    hz = np.array([float(one) for one in found.by_band_db])
    bands = np.clip(np.array(list(found.by_band_db.values())), -120.0, 20.0)
    moved = found.bands_where_it_differs_db or found.bands_db
    return [
        Figure(
            f"{name}-time",
            "The residual in each second",
            f"The residual in each second, at most {levels.max(initial=-120.0):.0f} LU",
            "s",
            [
                Panel(
                    "LU", [Series("residual", seconds, levels, bars=True)], 1.0, (-120.0, 20.0), [("not heard", limit)]
                )
            ],
        ),
        Figure(
            f"{name}-bands",
            "The residual against A, and what third octaves moved",
            "The residual's third octaves against A's, and B's less A's",
            "Hz",
            [
                Panel("residual, dB", [Series("residual", hz, bands, bars=True)], 1.0, (-120.0, 20.0)),
                Panel(
                    "B - A, dB",
                    [Series("B - A", np.array([float(one) for one in moved]), np.array(list(moved.values())))],
                ),
            ],
            log_hz=True,
        ),
    ]


# -- verify ----------------------------------------------------------------------------------------------------------


def verify_page(verdicts: Sequence[Verdict], refused: Sequence[Refused]) -> Page:
    """Recipes held to their baselines."""
    rows = [
        [one.recipe, "passed" if one.passed else "failed", f"{len(one.checks)}", f"{one.seconds:.1f}"]
        for one in verdicts
    ]
    rows += [[one.path.name, "not verified", "-", "-"] for one in refused]
    sections = [Section("Recipes", [DataTable(["recipe", "result", "checks", "s"], rows, "All recipes", left=2)])]
    for k, one in enumerate(verdicts):
        sections.append(Section(one.recipe, _verdict_blocks(one, f"v{k}")))
    for refusal in refused:
        problems: list[Block] = [Text(problem.text(), "warning") for problem in refusal.error.problems]
        sections.append(Section(refusal.path.name, problems))
    failed = sum(not one.passed for one in verdicts) + len(refused)
    about = f"{failed} of {len(rows)} failed" if failed else f"all {len(rows)} passed"
    return Page("Held to their baselines", about, sections, _facts())


def _verdict_blocks(verdict: Verdict, name: str) -> list[Block]:
    blocks: list[Block] = [Text(headline(verdict), "verdict" if verdict.passed else "warning")]
    if verdict.cause is not None:
        blocks += [Text(f"cause: {line}", "note") for line in cause_lines(verdict.cause)]
    blocks += [Text(note_text(note), "note") for note in verdict.notes]
    rows = [
        [
            "passed" if one.passed else "failed",
            one.name,
            check_text(one),
            limit_text(one) or "",
            number(one.figure, 2),
            number(one.figure_before, 2),
        ]
        for one in verdict.checks
    ]
    head = ["", "check", "what was found", "allowed", "now", "then"]
    blocks.append(DataTable(head, rows, f"Checks of {verdict.recipe}", left=4))
    for k, pair in enumerate(verdict.compared):
        blocks += _then_and_now(f"{name}-{k}", pair)
    return blocks


def _then_and_now(name: str, pair: DeliveryPair) -> list[Figure]:
    file, curves, bands = pair.delivery, [], []
    for word, facts in (("then", pair.was), ("now", pair.now)):
        curve = facts.curve()
        t = np.arange(1.0, curve.size + 1.0, dtype=np.float64) * facts.curve_step_s
        curves.append(Series(word, t, np.where(curve > SILENT_DB, curve, np.nan)))
        levels = facts.third_octaves()
        bands.append(Series(word, np.array(NOMINAL_HZ, dtype=np.float64), np.where(levels > -120.0, levels, np.nan)))
    return [
        Figure(
            f"{name}-curve",
            f"{file}: short-term loudness",
            f"Loudness over time of {file}, then and now",
            "s",
            [Panel("LUFS", curves)],
        ),
        Figure(
            f"{name}-bands",
            f"{file}: third octaves",
            f"Third octaves of {file}, then and now",
            "Hz",
            [Panel("dBFS", bands)],
            log_hz=True,
        ),
    ]


# -- a cull ----------------------------------------------------------------------------------------------------------


def cull_page(trial: Trial, alike: Likeness, place: PagePlace) -> Page:
    """What a cull would do: presets that are alike, and every session that it touches, without and with it."""
    inner = []
    for k, one in enumerate(trial.tried):
        blocks: list[Block] = [Text(one.sentence(), "verdict" if one.error is None else "warning")]
        blocks += [Text(reading, "note") for reading in one.readings]
        if one.found is not None and one.files is not None:
            blocks.append(players(one.found, ["without the cull", "with it"], place, f"s{k}"))
            blocks += residual_figures(one.found, f"s{k}")
        inner.append(Section(one.name, blocks))
    sections = [
        Section("Alike", _likeness_tables(alike)),
        Section("What it costs", [_costs_table(trial)]),
        Section("Each session", [], inner),
    ]
    title = f"The cull of {trial.plan.file.year}"
    return Page(title, f"{len(trial.tried)} sessions are touched", sections, _facts())


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
    return [
        DataTable(["presets that do nearly the same", "keep"], groups, "Groups", left=2),
        DataTable(
            ["preset", "and", "residual LU", "worst on", "eq dB", "gain dB"],
            pairs,
            "Pairs, matched in level, by their worst test signal",
            left=2,
        ),
    ]


def _costs_table(trial: Trial) -> DataTable:
    rows = [
        [
            one.name,
            ", ".join(one.affected.presets),
            ", ".join(one.affected.nodes),
            number(one.found.residual_lu if one.found else None),
            number(one.level_change_lu),
            "over" if one.crosses(trial.plan) else "",
        ]
        for one in trial.tried
    ]
    head = ["session", "presets", "nodes", "residual LU", "level change LU", "limit"]
    return DataTable(head, rows, "Costs, the worst first", left=3)


def batch_page(records: Sequence[JobRecord], title: str, seconds: float) -> Page:
    """All jobs of a batch."""
    head = ["job", "state", "LUFS", "dBTP", "range LU", "residual LU", "s", "files"]
    rows = [_job_row(record) for record in records]
    sections = [Section("Jobs", [DataTable(head, rows, "All jobs; a heading sorts", left=2)])]
    failed: list[Block] = [Text(f"{one.job}: {one.error}", "warning") for one in records if one.error]
    sections += [Section("What failed", failed)] if failed else []
    moves: list[Block] = [Text(f"{one.job}: {one.difference.verdict}") for one in records if one.difference is not None]
    sections += [Section("What moved", moves)] if moves else []
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
