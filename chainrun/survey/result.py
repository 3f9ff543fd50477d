"""The survey as a JSON document."""

from __future__ import annotations

from typing import Any

from chainrun.dsp.eyring import SPEED_OF_SOUND
from chainrun.measured import finite, measured_record
from chainrun.survey.advice import advice
from chainrun.survey.alone import Alone
from chainrun.survey.between import Arrived
from chainrun.survey.channels import Channel
from chainrun.survey.survey import GroupSurvey, Survey


def document(survey: Survey, source: str) -> dict[str, Any]:
    """Everything, with the field names that are used elsewhere, too."""
    return {
        "schema_version": 1,
        "source": source,
        "rate_hz": survey.material.rate_hz,
        "stems": [_stem(survey, channel) for channel in survey.material.channels],
        "groups": [_group(group, survey) for group in survey.groups],
        "lines": [_arrival(one, survey) for one in survey.lines],
        "advice": [one.record() for one in advice(survey)],
    }


def _stem(survey: Survey, channel: Channel) -> dict[str, Any]:
    file, index = survey.sides[channel.name]
    return {
        "name": channel.name,
        "stem": channel.stem,
        "file": str(channel.path),
        "channel": channel.file_channel + 1,
        "instrument": channel.role.instrument,
        "part": channel.role.part,
        "encoding": file.encoding,
        "measured": measured_record(file.measured),
        "found": _found(file.channels[index], file.side_db),
    }


def _found(one: Alone, side_db: float | None) -> dict[str, Any]:
    hum = None
    if one.hum is not None:
        hum = {"mains_hz": one.hum.mains_hz, "harmonics_dbfs": list(one.hum.levels_dbfs)}
    return {
        "begin_silence_s": round(one.begin_silence_s, 4),
        "end_silence_s": round(one.end_silence_s, 4),
        "dc_dbfs": finite(one.dc_dbfs),
        "clipped_runs": one.clipped_runs,
        "clipped_longest_frames": one.clipped_longest,
        "clipped_at_s": list(one.clipped_at_s),
        "flat_level_dbfs": finite(one.flat_level_dbfs),
        "flat_runs": one.flat_runs,
        "dropouts_at_s": list(one.dropouts_at_s),
        "hum": hum,
        "bandwidth_hz": one.bandwidth_hz,
        "side_to_mid_db": finite(side_db),
    }


def _arrival(one: Arrived, survey: Survey) -> dict[str, Any]:
    seconds = one.delay_frames / survey.material.rate_hz
    return {
        "channel": one.channel,
        "reference": one.reference,
        "drum": one.drum,
        "delay_samples": round(float(one.delay_frames), 2),
        "delay_ms": round(float(seconds) * 1000.0, 4),
        "delay_m": round(float(seconds) * SPEED_OF_SOUND, 4),
        "inverted": one.inverted,
        "confidence": round(one.confidence, 3),
        "n_hits": one.n_hits,
    }


def _group(group: GroupSurvey, survey: Survey) -> dict[str, Any]:
    told = {channel.name: channel.distance_m for channel in group.channels}
    arrivals = []
    for one in group.arrivals:
        record = _arrival(one, survey)
        near, far = told.get(one.channel), told.get(one.reference)
        record["distance_m"] = near
        # Both stand in the drum's own line of sight: the reference is as much farther away as it is later.
        record["reference_distance_by_sound_m"] = round(near - record["delay_m"], 3) if near is not None else None
        record["reference_distance_m"] = far
        arrivals.append(record)
    return {
        "name": group.name,
        "drifts": [
            {
                "channel": one.channel,
                "reference": one.reference,
                "ppm": round(one.ppm, 2),
                "frames": round(one.frames, 2),
            }
            for one in group.drifts
        ],
        "reference": group.reference,
        "channels": [channel.name for channel in group.channels],
        "drums": [
            {
                "name": drum.name,
                "microphones": list(drum.microphones),
                "n_hits": len(drum.rows),
                "is_first": drum.is_first,
                "soft_hits_db": group.soft_hits.get(drum.microphones[0], []),
                "hit_level_dbfs": {name: finite(group.hit_levels.get(name)) for name in drum.microphones},
                "bleed_peak_dbfs": {name: finite(group.bleed_peaks.get(name)) for name in drum.microphones},
            }
            for drum in group.drums
        ],
        "arrivals": arrivals,
        "arrivals_by_drum": [_arrival(one, survey) for one in group.by_drum],
        "second_microphones": [_arrival(one, survey) for one in group.under],
        "adding": [
            {
                "channel": one.channel,
                "other": one.other,
                "drum": one.drum,
                "low_band_before_db": round(one.before_db, 2),
                "low_band_after_db": round(one.after_db, 2),
                "first_notch_hz": finite(one.first_notch_hz, 1),
            }
            for one in group.adding
        ],
        "bleed_db": {
            drum: {name: finite(level) for name, level in levels.items()} for drum, levels in group.bleed.items()
        },
        "image": {
            stem: [
                {
                    "drum": seat.drum,
                    "right_over_left_db": round(seat.level_db, 2),
                    "right_behind_left_ms": round(float(seat.delay_ms), 4),
                    "expected_from_distance_db": round(seat.expected_db, 2),
                    "likeness": round(seat.likeness, 3),
                    "confidence": round(seat.confidence if seat.agrees else min(seat.confidence, 0.4), 3),
                }
                for seat in seats
            ]
            for stem, seats in group.seats.items()
        },
    }
