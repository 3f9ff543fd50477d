"""chainrun survey: what is wrong with the stems, and an overlay that mends it."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast

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

if TYPE_CHECKING:
    from chainrun.survey.channels import Material


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
    from chainrun.survey.result import document
    from chainrun.survey.survey import survey
    from chainrun.whole_file import write_whole

    if align not in ("none", "close", "all"):
        raise refuse("--align knows no such word", given=align, allowed="none, close, all")
    if write is not None and write.exists():
        raise refuse(
            "there is such a file already, and what a person may have edited is not written over",
            given=str(write),
            hint="give --write another name",
        )
    place = place_of_page(report, embed)
    changed = overrides(variant, overlay, set_, allow_root, limit)
    if source.is_dir() and (variant or overlay or set_):
        raise refuse("a bare folder has no variants and takes no overlays", hint="survey a recipe, or draft one first")
    found = survey(_material(source, changed), reference=reference, workers=workers or processors_here())
    told = document(found, str(source))
    if write is not None:
        write_whole(write, overlay_text(found, source.name, cast("Align", align)))
        told["overlay"] = str(write)
    if place is not None:
        from chainrun.report.page import write_page
        from chainrun.report.surveyed import survey_page

        talk(f"wrote {write_page(survey_page(told), place)}")
    if as_json:
        put_json(told)
        return EXIT_DONE
    put(screen(told))
    if write is not None:
        talk(f"wrote {write}: read it, then render with --overlay {write}")
    return EXIT_DONE


def _material(source: Path, changed: Any) -> Material:
    from chainrun.recipe import open_recipe
    from chainrun.survey.channels import of_folder, of_recipe

    return of_folder(source, changed.limits) if source.is_dir() else of_recipe(open_recipe(source, changed))


def _wrapped(text: str) -> str:
    return textwrap.fill(printable(text), 80, initial_indent="  ", subsequent_indent="    ")


def screen(told: dict[str, Any]) -> str:
    """The document as tables and sentences of 80 columns."""
    lines = [_files(told["stems"])]
    for group in told["groups"]:
        lines += _group(group)
    for title, kinds in (("Found:", None), ("Good to know:", ("arrival", "image", "unsure"))):
        chosen = [one for one in told["advice"] if (one["about"] in ("arrival", "image", "unsure")) == bool(kinds)]
        if kinds and chosen:
            chosen = [one for one in chosen if one["about"] != "arrival"]
        if chosen or not kinds:
            lines += ["", title] + [_wrapped(one["text"]) for one in chosen]
        if not chosen and not kinds:
            lines.append("  nothing that asks for mending")
    return "\n".join(lines)


def _files(stems: list[dict[str, Any]]) -> str:
    rows = []
    for stem in stems:
        measured, found = stem["measured"], stem["found"]
        rows.append(
            [
                shortened(stem["name"], 15),
                shortened(stem["instrument"] or "?", 10),
                number(measured.get("integrated_lufs")),
                number(measured.get("true_peak_dbtp")),
                number(measured.get("crest_db")),
                number(found["dc_dbfs"], 0),
                number(measured.get("noise_floor_dbfs"), 0),
                str(found["clipped_runs"]),
                number(measured["n_frames"] / measured["rate_hz"], 2),
                f"{measured['rate_hz'] / 1000:g}",
            ]
        )
    head = ["stem", "heard as", "LUFS", "dBTP", "crest", "DC", "floor", "clips", "s", "kHz"]
    return table(head, rows, left=2)


def _group(group: dict[str, Any]) -> list[str]:
    from chainrun.survey.survey import PERHAPS

    lines: list[str] = []
    if group["arrivals"]:
        lines += ["", f"{group['name']}: arrival behind {printable(group['reference'])} (negative: ahead)"]
        rows = []
        for one in group["arrivals"]:
            told = ["?"] * 4
            if one["confidence"] >= PERHAPS:
                way = [number(one["delay_samples"]), number(one["delay_ms"], 2), number(one["delay_m"], 2)]
                told = [*way, "inverted" if one["inverted"] else "same"]
            agree = f"{one['confidence']:.0%} of {one['n_hits']}"
            rows.append([shortened(one["channel"], 18), shortened(one["drum"], 12), *told, agree])
        lines.append(table(["microphone", "by hits of", "samples", "ms", "m", "polarity", "hits agree"], rows, left=2))
    placed = [one for one in group["arrivals"] if one["distance_m"] is not None and one["confidence"] >= PERHAPS]
    if placed:
        lines += ["", f"by sound, {printable(group['reference'])} stands so far from each drum:"]
        rows = [
            [
                shortened(one["drum"], 16),
                number(one["distance_m"], 2),
                number(one["reference_distance_by_sound_m"], 2),
                number(one["reference_distance_m"], 2),
            ]
            for one in placed
        ]
        lines.append(table(["drum", "close microphone, m", "by sound, m", "told, m"], rows))
    if group["bleed_db"]:
        lines += ["", "how loud each drum is in each microphone, dB of its own:"]
        drums = list(group["bleed_db"])
        shown = drums[:8]
        rows = [
            [shortened(channel, 16)] + [number(group["bleed_db"][drum][channel]) for drum in shown]
            for channel in group["channels"]
        ]
        lines.append(table(["microphone", *(shortened(drum, 9) for drum in shown)], rows))
    if group["adding"]:
        lines += ["", "below 300 Hz, two microphones added against the sum of their powers:"]
        rows = [
            [
                shortened(one["channel"], 18),
                shortened(one["other"], 18),
                number(one["low_band_before_db"]),
                number(one["low_band_after_db"]),
                number(one["first_notch_hz"], 0),
            ]
            for one in group["adding"]
        ]
        lines.append(table(["microphone", "with", "as is, dB", "aligned, dB", "first notch, Hz"], rows, left=2))
    return lines
