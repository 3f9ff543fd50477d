"""The report of a survey: findings rounded for people and JSON, named as in other reports."""

from __future__ import annotations

from dataclasses import asdict, dataclass

from chainrun.dsp.eyring import SPEED_OF_SOUND
from chainrun.measured import Measured, finite, measured_record
from chainrun.survey.advice import Advice, advice, percent
from chainrun.survey.alone import Alone
from chainrun.survey.between import Adding, Arrived, Drift, Seat
from chainrun.survey.channels import Channel
from chainrun.survey.kit import Drum
from chainrun.survey.survey import GroupSurvey, Survey


@dataclass(frozen=True)
class HumReport:
    """A mains hum."""

    mains_hz: float
    harmonics_dbfs: list[float | None]


@dataclass(frozen=True)
class ChannelFaults:
    """Findings in one channel by itself."""

    begin_silence_s: float
    end_silence_s: float
    dc_dbfs: float | None
    clipped_runs: int
    clipped_longest_frames: int
    clipped_at_s: list[float]
    flat_level_dbfs: float | None
    flat_runs: int
    dropouts_at_s: list[float]
    hum: HumReport | None
    bandwidth_hz: float | None
    side_to_mid_db: float | None

    @classmethod
    def of(cls, one: Alone, side_db: float | None) -> ChannelFaults:
        """The report of a channel's findings."""
        hum = HumReport(one.hum.mains_hz, list(one.hum.levels_dbfs)) if one.hum is not None else None
        return cls(
            begin_silence_s=round(one.begin_silence_s, 4),
            end_silence_s=round(one.end_silence_s, 4),
            dc_dbfs=finite(one.dc_dbfs),
            clipped_runs=one.clipped_runs,
            clipped_longest_frames=one.clipped_longest,
            clipped_at_s=list(one.clipped_at_s),
            flat_level_dbfs=finite(one.flat_level_dbfs),
            flat_runs=one.flat_runs,
            dropouts_at_s=list(one.dropouts_at_s),
            hum=hum,
            bandwidth_hz=one.bandwidth_hz,
            side_to_mid_db=finite(side_db),
        )


@dataclass(frozen=True)
class ChannelReport:
    """One channel of a stem."""

    name: str
    stem: str
    file: str
    channel: int
    """Number of the channel in its file, from 1."""
    instrument: str | None
    part: str | None
    encoding: str
    measured: Measured
    found: ChannelFaults

    @classmethod
    def of(cls, survey: Survey, channel: Channel) -> ChannelReport:
        """The report of a surveyed channel."""
        file, index = survey.sides[channel.name]
        return cls(
            name=channel.name,
            stem=channel.stem,
            file=str(channel.path),
            channel=channel.file_channel + 1,
            instrument=channel.role.instrument,
            part=channel.role.part,
            encoding=file.encoding,
            measured=file.measured,
            found=ChannelFaults.of(file.channels[index], file.side_db),
        )

    def record(self) -> dict[str, object]:
        """The report as a JSON object."""
        return {**vars(self), "measured": measured_record(self.measured), "found": asdict(self.found)}


@dataclass(frozen=True)
class ArrivalReport:
    """Arrival time of a drum's sound at a microphone, relative to another microphone."""

    channel: str
    reference: str
    drum: str
    delay_samples: float
    delay_ms: float
    delay_m: float
    inverted: bool
    confidence_pct: float
    """Share of the hits that agree."""
    n_hits: int

    @classmethod
    def of(cls, one: Arrived, rate_hz: int) -> ArrivalReport:
        """The report of an arrival."""
        seconds = one.delay_frames / rate_hz
        return cls(
            channel=one.channel,
            reference=one.reference,
            drum=one.drum,
            delay_samples=round(float(one.delay_frames), 2),
            delay_ms=round(float(seconds) * 1000.0, 4),
            delay_m=round(float(seconds) * SPEED_OF_SOUND, 4),
            inverted=one.inverted,
            confidence_pct=percent(one.confidence),
            n_hits=one.n_hits,
        )


@dataclass(frozen=True)
class PlacedArrivalReport(ArrivalReport):
    """An arrival with the distances in the recipe, and the distance computed from the sound."""

    distance_m: float | None
    reference_distance_by_sound_m: float | None
    reference_distance_m: float | None

    @classmethod
    def at(cls, one: Arrived, rate_hz: int, distances_m: dict[str, float | None]) -> PlacedArrivalReport:
        """The report of an arrival; `distances_m` are those in the recipe by channel."""
        plain = ArrivalReport.of(one, rate_hz)
        near = distances_m.get(one.channel)
        # The reference is as much farther from the drum as the sound arrives later there.
        by_sound = round(near - plain.delay_m, 3) if near is not None else None
        return cls(
            **vars(plain),
            distance_m=near,
            reference_distance_by_sound_m=by_sound,
            reference_distance_m=distances_m.get(one.reference),
        )


@dataclass(frozen=True)
class DriftReport:
    """A microphone whose clock differs from the reference's."""

    channel: str
    reference: str
    ppm: float
    frames: float

    @classmethod
    def of(cls, one: Drift) -> DriftReport:
        """The report of a drift."""
        return cls(one.channel, one.reference, round(one.ppm, 2), round(one.frames, 2))


@dataclass(frozen=True)
class DrumReport:
    """A drum and its close microphones, the clearest first."""

    name: str
    microphones: list[str]
    n_hits: int
    is_first: bool
    """Whether its hits reach its own microphone before all other close ones."""
    soft_hits_db: list[float]
    hit_level_dbfs: dict[str, float | None]
    bleed_peak_dbfs: dict[str, float | None]

    @classmethod
    def of(cls, drum: Drum, group: GroupSurvey) -> DrumReport:
        """The report of a drum."""
        return cls(
            name=drum.name,
            microphones=list(drum.microphones),
            n_hits=len(drum.rows),
            is_first=drum.is_first,
            soft_hits_db=group.soft_hits.get(drum.microphones[0], []),
            hit_level_dbfs={name: finite(group.hit_levels.get(name)) for name in drum.microphones},
            bleed_peak_dbfs={name: finite(group.bleed_peaks.get(name)) for name in drum.microphones},
        )


@dataclass(frozen=True)
class AddingReport:
    """Gain of adding two microphones below 300 Hz, as recorded and aligned."""

    channel: str
    other: str
    drum: str
    low_band_before_db: float
    low_band_after_db: float
    first_notch_hz: float | None

    @classmethod
    def of(cls, one: Adding) -> AddingReport:
        """The report of two microphones added."""
        before, after = round(one.before_db, 2), round(one.after_db, 2)
        return cls(one.channel, one.other, one.drum, before, after, finite(one.first_notch_hz, 1))


@dataclass(frozen=True)
class SeatReport:
    """Place of a drum in a pair of microphones."""

    drum: str
    right_over_left_db: float
    right_after_left_ms: float
    expected_from_distance_db: float
    likeness: float
    confidence_pct: float
    """Share of the hits that agree about its arrival; at most 40 if level and arrival indicate different sides."""

    @classmethod
    def of(cls, seat: Seat) -> SeatReport:
        """The report of a seat."""
        return cls(
            drum=seat.drum,
            right_over_left_db=round(seat.level_db, 2),
            right_after_left_ms=round(float(seat.delay_ms), 4),
            expected_from_distance_db=round(seat.expected_db, 2),
            likeness=round(seat.likeness, 3),
            confidence_pct=percent(seat.confidence if seat.agrees else min(seat.confidence, 0.4)),
        )


@dataclass(frozen=True)
class GroupReport:
    """Findings from comparing the microphones of one group."""

    name: str
    drifts: list[DriftReport]
    reference: str | None
    channels: list[str]
    drums: list[DrumReport]
    arrivals: list[PlacedArrivalReport]
    """Arrival at each microphone, relative to the reference."""
    arrivals_by_drum: list[ArrivalReport]
    """Arrivals at far microphones for every drum."""
    second_microphones: list[ArrivalReport]
    """Arrivals at a drum's second microphones, relative to its first."""
    adding: list[AddingReport]
    bleed_db: dict[str, dict[str, float | None]]
    """Level of each drum in each microphone, relative to its own microphone."""
    image: dict[str, list[SeatReport]]
    """Places of drums in each pair of far microphones."""

    @classmethod
    def of(cls, group: GroupSurvey, rate_hz: int) -> GroupReport:
        """The report of a group."""
        distances_m = {channel.name: channel.distance_m for channel in group.channels}
        return cls(
            name=group.name,
            drifts=[DriftReport.of(one) for one in group.drifts],
            reference=group.reference,
            channels=[channel.name for channel in group.channels],
            drums=[DrumReport.of(drum, group) for drum in group.drums],
            arrivals=[PlacedArrivalReport.at(one, rate_hz, distances_m) for one in group.arrivals],
            arrivals_by_drum=[ArrivalReport.of(one, rate_hz) for one in group.by_drum],
            second_microphones=[ArrivalReport.of(one, rate_hz) for one in group.under],
            adding=[AddingReport.of(one) for one in group.adding],
            bleed_db={
                drum: {name: finite(level) for name, level in levels.items()} for drum, levels in group.bleed.items()
            },
            image={stem: [SeatReport.of(seat) for seat in seats] for stem, seats in group.seats.items()},
        )


@dataclass(frozen=True)
class SurveyReport:
    """All findings of a survey, and its advice."""

    source: str
    rate_hz: int
    stems: list[ChannelReport]
    groups: list[GroupReport]
    lines: list[ArrivalReport]
    """Arrivals at amplifier microphones, relative to their line signals."""
    advice: list[Advice]
    """Faults first, then information."""

    @property
    def wrong(self) -> list[Advice]:
        """Advice about faults."""
        return [one for one in self.advice if not one.about.to_know]

    @property
    def known(self) -> list[Advice]:
        """Advice that is information only."""
        return [one for one in self.advice if one.about.to_know]

    def record(self) -> dict[str, object]:
        """The report as one JSON document."""
        return {
            "schema_version": 2,
            "source": self.source,
            "rate_hz": self.rate_hz,
            "stems": [one.record() for one in self.stems],
            "groups": [asdict(group) for group in self.groups],
            "lines": [asdict(one) for one in self.lines],
            "advice": [one.record() for one in self.advice],
        }


def survey_report(survey: Survey, source: str) -> SurveyReport:
    """Make the report of a survey; `source` is the recipe or folder as the user named it."""
    rate_hz = survey.material.rate_hz
    return SurveyReport(
        source=source,
        rate_hz=rate_hz,
        stems=[ChannelReport.of(survey, channel) for channel in survey.material.channels],
        groups=[GroupReport.of(group, rate_hz) for group in survey.groups],
        lines=[ArrivalReport.of(one, rate_hz) for one in survey.lines],
        advice=advice(survey),
    )
