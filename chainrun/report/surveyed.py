"""The page of a survey: what is wrong with the stems, and what is good to know."""

from __future__ import annotations

from chainrun import __version__
from chainrun.measured import finite
from chainrun.report.content import Block, DataTable, Page, Section, Text, number
from chainrun.survey.result import ChannelReport, GroupReport, SurveyReport


def survey_page(told: SurveyReport) -> Page:
    """The report of a survey as a page."""
    wrong: list[Block] = [Text(one.text, "warning") for one in told.wrong]
    known: list[Block] = [Text(one.text, "note") for one in told.known]
    sections = [Section("What was found", wrong or [Text("nothing that asks for mending")])]
    if known:
        sections.append(Section("Good to know", known))
    sections.append(Section("The files", [_files(told.stems)]))
    sections += [Section(f"Microphones of {group.name}", _group(group)) for group in told.groups]
    return Page(f"Survey of {told.source}", f"{len(told.stems)} channels", sections, [("chainrun", __version__)])


def _files(stems: list[ChannelReport]) -> DataTable:
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
    head = ["stem", "heard as", "LUFS", "dBTP", "crest dB", "DC dBFS", "floor dBFS", "clips", "s", "kHz"]
    return DataTable(head, rows, "Every channel", left=2)


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
            f"{one.confidence_pct:.0f} %",
            str(one.n_hits),
        ]
        for one in group.arrivals
    ]
    head = ["microphone", "by hits of", "samples", "ms", "m", "polarity", "hits agree", "hits"]
    caption = f"Arrival after {group.reference}; negative is before"
    return [DataTable(head, rows, caption, left=2)] if rows else []


def _bleed(group: GroupReport) -> list[Block]:
    drums = list(group.bleed_db)
    rows = [[name, *(number(group.bleed_db[drum][name]) for drum in drums)] for name in group.channels]
    caption = "How loud each drum is in each microphone, dB of its own"
    return [DataTable(["microphone", *drums], rows, caption)] if drums else []


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
    head = ["microphone", "with", "as is dB", "aligned dB", "first notch Hz"]
    caption = "Below 300 Hz: two added, against the sum of their powers"
    return [DataTable(head, rows, caption, left=2)] if rows else []


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
            head = ["drum", "right over left dB", "right after left ms", "by distance dB"]
            blocks.append(DataTable(head, rows, f"Where the drums lie in {stem}"))
    return blocks
