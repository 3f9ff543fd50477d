"""The page of a survey: what to repair in the stems, and what to know about them."""

from __future__ import annotations

from chainrun import __version__
from chainrun.measured import finite
from chainrun.report.content import Block, DataTable, Page, Section, Text, listed, number
from chainrun.survey.result import ChannelReport, GroupReport, SurveyReport


def survey_page(survey: SurveyReport) -> Page:
    """The page of a survey: cautions and notes, the channels, and the microphones of each group."""
    sections = listed("caution", [one.text for one in survey.wrong])
    if not sections:
        sections = [Section("Cautions", [Text("None: no channel needs repair.", "passed")])]
    sections += listed("note", [one.text for one in survey.known])
    sections.append(Section("Channels", [_channels(survey.stems)]))
    sections += [Section(f"Microphones of {group.name}", _group(group)) for group in survey.groups]
    return Page(f"Survey of {survey.source}", f"{len(survey.stems)} channels", sections, [("chainrun", __version__)])


def _channels(stems: list[ChannelReport]) -> DataTable:
    rows = []
    for stem in stems:
        m, found = stem.measured, stem.found
        rows.append(
            [
                stem.name,
                stem.instrument or "?",
                number(finite(m.integrated_lufs, 4)),
                number(finite(m.true_peak_dbtp, 4)),
                number(finite(m.crest_db, 4)),
                number(found.dc_dbfs, 0),
                number(finite(m.noise_floor_dbfs, 4), 0),
                str(found.clipped_runs),
                f"{m.n_frames / m.rate_hz:.2f}",
                f"{m.rate_hz / 1000:g}",
            ]
        )
    head = [
        "stem",
        "instrument",
        "loudness LUFS",
        "true peak dBTP",
        "crest factor dB",
        "DC dBFS",
        "noise floor dBFS",
        "clipped runs",
        "length s",
        "rate kHz",
    ]
    return DataTable(head, rows, "All channels")


def _group(group: GroupReport) -> list[Block]:
    return [*_arrivals(group), *_bleed(group), *_adding(group), *_seats(group)]


def _arrivals(group: GroupReport) -> list[Block]:
    rows = [
        [
            one.channel,
            one.drum,
            number(one.delay_samples),
            number(one.delay_ms, 2),
            number(one.delay_m, 2),
            "inverted" if one.inverted else "same",
            f"{one.confidence_pct:.0f}",
            str(one.n_hits),
        ]
        for one in group.arrivals
    ]
    head = [
        "microphone",
        "drum",
        "arrival samples",
        "arrival ms",
        "arrival m",
        "polarity",
        "confidence %",
        "hits",
    ]
    caption = f"Arrival after {group.reference}; negative is earlier; confidence is the share of hits that agree"
    return [DataTable(head, rows, caption)] if rows else []


def _bleed(group: GroupReport) -> list[Block]:
    drums = list(group.bleed_db)
    rows = [[name, *(number(group.bleed_db[drum][name]) for drum in drums)] for name in group.channels]
    caption = "Bleed: level of each drum in each microphone, relative to its own microphone"
    return [DataTable(["microphone", *(f"{drum} dB" for drum in drums)], rows, caption)] if drums else []


def _adding(group: GroupReport) -> list[Block]:
    rows = [
        [
            one.channel,
            one.other,
            number(one.low_band_before_db),
            number(one.low_band_after_db),
            number(one.first_notch_hz, 0),
        ]
        for one in group.adding
    ]
    head = ["microphone", "with", "level as recorded dB", "level if aligned dB", "first notch Hz"]
    caption = "Two microphones added: level below 300 Hz relative to the sum of their powers"
    return [DataTable(head, rows, caption)] if rows else []


def _seats(group: GroupReport) -> list[Block]:
    blocks: list[Block] = []
    for stem, seats in group.image.items():
        rows = [
            [
                one.drum,
                number(one.right_over_left_db),
                number(one.right_after_left_ms, 2),
                number(one.expected_from_distance_db),
            ]
            for one in seats
        ]
        if rows:
            head = [
                "drum",
                "level right minus left dB",
                "arrival right after left ms",
                "level expected from distance dB",
            ]
            blocks.append(DataTable(head, rows, f"Positions of the drums in {stem}"))
    return blocks
