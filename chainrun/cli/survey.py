"""chainrun survey: what is wrong with the stems, and an overlay that mends it."""

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
    Report,
    Sets,
    Variant,
    Workers,
    overrides,
    place_of_page,
    refuse,
)
from chainrun.cli.terminal import number, put, put_json, shortened, table, talk
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
        Path | None, typer.Option("--write", metavar="FILE", help="Write an overlay that mends what was found.")
    ] = None,
    reference: Annotated[
        str | None, typer.Option("--reference", metavar="NAME", help="The stem that arrivals are told against.")
    ] = None,
    align: Annotated[
        str, typer.Option("--align", metavar="WHAT", help="What the overlay moves in time: none, close or all.")
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
) -> int:
    """Tell what is wrong with the stems: clipping, hum, polarity, arrival times, bleed, image. Changes nothing."""
    from chainrun.scheduler.processes import processors_here
    from chainrun.survey.overlay import Align, overlay_text
    from chainrun.survey.result import survey_report
    from chainrun.survey.survey import survey
    from chainrun.whole_file import write_whole

    _refuse_unfit(align, write)
    place = place_of_page(report, embed)
    changed = overrides(variant, overlay, set_, allow_root, limit)
    if source.is_dir() and (variant or overlay or set_):
        raise refuse(
            "a bare folder has no variants and takes no overlays",
            hint="survey a recipe, or draft one first",
            code=Code.OPTIONS_CLASH,
        )
    found = survey(_material(source, changed), reference=reference, workers=workers or processors_here())
    told = survey_report(found, str(source))
    if write is not None:
        write_whole(write, overlay_text(found, source.name, cast("Align", align)))
    if place is not None:
        from chainrun.report.page import write_page
        from chainrun.report.surveyed import survey_page

        talk(f"wrote {write_page(survey_page(told), place)}")
    if as_json:
        put_json(told.record() | ({"overlay": str(write)} if write is not None else {}))
        return EXIT_DONE
    put(screen(told))
    if write is not None:
        talk(f"wrote {write}: read it, then render with --overlay {write}")
    return EXIT_DONE


def _refuse_unfit(align: str, write: Path | None) -> None:
    """Raise UsageError for a word that --align does not know, and for an overlay that is there."""
    if align not in ("none", "close", "all"):
        raise refuse("--align knows no such word", given=align, allowed="none, close, all", code=Code.OPTION_VALUE)
    if write is not None and write.exists():
        raise refuse(
            "there is such a file already, and what a person may have edited is not written over",
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


def screen(told: SurveyReport) -> str:
    """The report as tables and sentences of 80 columns; arrivals stand in a table and need no sentence."""
    from chainrun.survey.advice import About

    lines = [_files(told.stems)]
    for group in told.groups:
        lines += _group(group)
    lines += ["", "Found:", *(_wrapped(one.text) for one in told.wrong)]
    if not told.wrong:
        lines.append("  nothing that asks for mending")
    known = [one for one in told.known if one.about is not About.ARRIVAL]
    if known:
        lines += ["", "Good to know:", *(_wrapped(one.text) for one in known)]
    return "\n".join(lines)


def _files(stems: list[ChannelReport]) -> str:
    rows = []
    for stem in stems:
        m, found = stem.measured, stem.found
        rows.append(
            [
                shortened(stem.name, 15),
                shortened(stem.instrument or "?", 10),
                number(finite(m.integrated_lufs, 4)),
                number(finite(m.true_peak_dbtp, 4)),
                number(finite(m.crest_db, 4)),
                number(found.dc_dbfs, 0),
                number(finite(m.noise_floor_dbfs, 4), 0),
                str(found.clipped_runs),
                number(m.n_frames / m.rate_hz, 2),
                f"{m.rate_hz / 1000:g}",
            ]
        )
    head = ["stem", "heard as", "LUFS", "dBTP", "crest", "DC", "floor", "clips", "s", "kHz"]
    return table(head, rows, left=2)


def _group(group: GroupReport) -> list[str]:
    return [*_arrivals(group), *_distances(group), *_bleed(group), *_adding(group)]


def _arrivals(group: GroupReport) -> list[str]:
    from chainrun.survey.survey import PERHAPS

    if not group.arrivals:
        return []
    rows = []
    for one in group.arrivals:
        told = ["?"] * 4
        if one.confidence_pct >= 100.0 * PERHAPS:
            way = [number(one.delay_samples), number(one.delay_ms, 2), number(one.delay_m, 2)]
            told = [*way, "inverted" if one.inverted else "same"]
        agree = f"{one.confidence_pct:.0f} % of {one.n_hits}"
        rows.append([shortened(one.channel, 18), shortened(one.drum, 12), *told, agree])
    return [
        "",
        f"{group.name}: arrival after {printable(str(group.reference))} (negative: before)",
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
        f"by sound, {printable(str(group.reference))} stands so far from each drum:",
        table(["drum", "close microphone, m", "by sound, m", "told, m"], rows),
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
    return ["", "how loud each drum is in each microphone, dB of its own:", table(head, rows)]


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
    head = ["microphone", "with", "as is, dB", "aligned, dB", "first notch, Hz"]
    return ["", "below 300 Hz, two microphones added against the sum of their powers:", table(head, rows, left=2)]
