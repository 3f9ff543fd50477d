"""chainrun survey: faults of the stems, and an overlay that corrects them."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from chainrun.cli.options import (
    AllowRoots,
    AsJson,
    Embed,
    LimitWords,
    Overlays,
    Quiet,
    Report,
    Sets,
    Variant,
    Workers,
    overrides,
    place_of_page,
    refuse,
    write_page,
    written,
)
from chainrun.cli.terminal import number, put, put_json, shortened, table
from chainrun.errors import EXIT_DONE, printable
from chainrun.measured import finite
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from chainrun.recipe import Overrides
    from chainrun.survey.channels import Material
    from chainrun.survey.result import ChannelReport, GroupReport, SurveyReport


def command(
    source: Annotated[
        Path, typer.Argument(metavar="RECIPE|FOLDER", help="A recipe, or a folder of audio files.", show_default=False)
    ],
    write: Annotated[
        Path | None, typer.Option("--write", metavar="FILE", help="Write an overlay that corrects the faults.")
    ] = None,
    reference: Annotated[
        str | None, typer.Option("--reference", metavar="NAME", help="The stem to measure arrival times from.")
    ] = None,
    align: Annotated[
        str, typer.Option("--align", metavar="WHAT", help="Microphones to align in time: none, close or all.")
    ] = "none",
    variant: Variant = None,
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    workers: Workers = None,
    report: Report = None,
    embed: Embed = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Find faults in the stems.

    Reports clipping, hum, polarity, arrival times, bleed and image. Stems and recipes stay unchanged.
    """
    from chainrun.scheduler.processes import processors_here
    from chainrun.survey.overlay import Align, overlay_text
    from chainrun.survey.result import survey_report
    from chainrun.survey.survey import survey
    from chainrun.whole_file import write_whole

    _refuse_unfit(align, write)
    place = place_of_page(report, embed)
    changed = overrides(variant, overlay, set_, allow_root, limit)
    if source.is_dir() and (variant or overlay or set_):
        hint = "survey a recipe, or draft one first"
        raise refuse("a folder takes no --variant, --overlay or --set", hint=hint, code=Code.OPTIONS_CLASH)
    found = survey(_material(source, changed), reference=reference, workers=workers or processors_here())
    surveyed, page = survey_report(found, str(source)), None
    if write is not None:
        write_whole(write, overlay_text(found, source.name, cast("Align", align)))
    if place is not None:
        from chainrun.report.surveyed import survey_page

        page = write_page(survey_page(surveyed), place)
    if as_json:
        overlay_file = {"overlay": str(write)} if write is not None else {}
        put_json({**surveyed.record(), **overlay_file, "written": written(write, page)})
        return EXIT_DONE
    put(screen(surveyed))
    if write is not None:
        put(f"wrote {write}\nnext: read it, then  chainrun render {source} --overlay {write}")
    return EXIT_DONE


def _refuse_unfit(align: str, write: Path | None) -> None:
    """Raise UsageError for an unknown word of --align, and for an overlay that exists already."""
    if align not in ("none", "close", "all"):
        raise refuse("--align takes another word", given=align, allowed="none, close, all", code=Code.OPTION_VALUE)
    if write is not None and write.exists():
        raise refuse(
            "this file exists already, and may have been edited: it is not overwritten",
            given=str(write),
            hint="give --write another name",
            code=Code.FILE_EXISTS,
        )


def _material(source: Path, changed: Overrides) -> Material:
    from chainrun.recipe import open_recipe
    from chainrun.survey.channels import of_folder, of_recipe

    return of_folder(source, changed.limits) if source.is_dir() else of_recipe(open_recipe(source, changed))


def _wrapped(text: str) -> str:
    return textwrap.fill(printable(text), 80, initial_indent="  ", subsequent_indent="    ")


def screen(report: SurveyReport) -> str:
    """The report as tables and sentences of 80 columns; arrival times are in a table and need no sentence."""
    from chainrun.survey.advice import About

    lines = [_levels(report.stems), "", _files(report.stems)]
    for group in report.groups:
        lines += _group(group)
    lines += ["", "Found:", *(_wrapped(one.text) for one in report.wrong)]
    if not report.wrong:
        lines.append("  no faults")
    known = [one for one in report.known if one.about is not About.ARRIVAL]
    if known:
        lines += ["", "Good to know:", *(_wrapped(one.text) for one in known)]
    return "\n".join(lines)


def _files(stems: list[ChannelReport]) -> str:
    rows = [
        [
            shortened(stem.name, 24),
            shortened(stem.instrument or "?", 12),
            number(stem.measured.n_frames / stem.measured.rate_hz, 2),
            f"{stem.measured.rate_hz / 1000:g}",
            str(stem.found.clipped_runs),
        ]
        for stem in stems
    ]
    return table(["stem", "heard as", "length s", "rate kHz", "clipped runs"], rows, left=2)


def _levels(stems: list[ChannelReport]) -> str:
    rows = [
        [
            shortened(stem.name, 24),
            number(finite(stem.measured.integrated_lufs, 4)),
            number(finite(stem.measured.true_peak_dbtp, 4)),
            number(finite(stem.measured.crest_db, 4)),
            number(stem.found.dc_dbfs, 0),
            number(finite(stem.measured.noise_floor_dbfs, 4), 0),
        ]
        for stem in stems
    ]
    head = ["stem", "integrated\nLUFS", "true peak\ndBTP", "crest\ndB", "DC\ndBFS", "noise floor\ndBFS"]
    return table(head, rows)


def _group(group: GroupReport) -> list[str]:
    return [*_arrivals(group), *_distances(group), *_bleed(group), *_adding(group)]


def _arrivals(group: GroupReport) -> list[str]:
    from chainrun.survey.survey import PERHAPS

    if not group.arrivals:
        return []
    rows = []
    for one in group.arrivals:
        cells = ["?"] * 4
        if one.confidence_pct >= 100.0 * PERHAPS:
            way = [number(one.delay_samples), number(one.delay_ms, 2), number(one.delay_m, 2)]
            cells = [*way, "inverted" if one.inverted else "same"]
        agree = f"{one.confidence_pct:.0f} % of {one.n_hits}"
        rows.append([shortened(one.channel, 20), shortened(one.drum, 10), *cells, agree])
    return [
        "",
        f"{group.name}: arrival after {printable(str(group.reference))} (negative: before it)",
        table(["microphone", "by hits of", "samples", "ms", "m", "polarity", "hits agree"], rows, left=2),
    ]


def _distances(group: GroupReport) -> list[str]:
    from chainrun.survey.survey import PERHAPS

    rows = [
        [
            shortened(one.drum, 16),
            number(one.distance_m, 2),
            number(one.reference_distance_by_sound_m, 2),
            number(one.reference_distance_m, 2),
        ]
        for one in group.arrivals
        if one.distance_m is not None and one.confidence_pct >= 100.0 * PERHAPS
    ]
    if not rows:
        return []
    return [
        "",
        f"distance of {printable(str(group.reference))} from each drum:",
        table(["drum", "close microphone m", "from the sound m", "from the recipe m"], rows),
    ]


def _bleed(group: GroupReport) -> list[str]:
    if not group.bleed_db:
        return []
    drums = list(group.bleed_db)[:8]
    rows = [
        [shortened(channel, 16)] + [number(group.bleed_db[drum][channel]) for drum in drums]
        for channel in group.channels
    ]
    head = ["microphone", *(shortened(drum, 9) for drum in drums)]
    return ["", "bleed: level of each drum in each microphone, in dB against its own microphone", table(head, rows)]


def _adding(group: GroupReport) -> list[str]:
    if not group.adding:
        return []
    rows = [
        [
            shortened(one.channel, 18),
            shortened(one.other, 18),
            number(one.low_band_before_db),
            number(one.low_band_after_db),
            number(one.first_notch_hz, 0),
        ]
        for one in group.adding
    ]
    head = ["microphone", "with", "as it is dB", "aligned dB", "first notch Hz"]
    return [
        "",
        "sums of two microphones below 300 Hz, in dB against the sum of their powers",
        table(head, rows, left=2),
    ]
