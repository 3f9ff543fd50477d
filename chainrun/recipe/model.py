"""Grammar of a recipe as strict models, with units, ranges and help."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, WithJsonSchema, model_validator

import chainrun.processors  # noqa: F401  (declares the processors)
from chainrun.contract import Step, StrictModel, Version, any_step
from chainrun.contract.misuse import misuse
from chainrun.problem_codes import Code

PAN_LAWS_DB = (-3.0, -4.5, -6.0)

if TYPE_CHECKING:
    AnyStep = Step
else:
    AnyStep = any_step()
Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$")]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
BoolPair = Annotated[list[bool], Field(min_length=2, max_length=2)]


def _pan_law(value: float) -> float:
    if value not in PAN_LAWS_DB:
        raise misuse(Code.UNKNOWN_VALUE, "a pan law must be -3, -4.5 or -6 dB")
    return value


PanLaw = Annotated[float, AfterValidator(_pan_law), WithJsonSchema({"enum": [-3, -4.5, -6]})]


class Send(StrictModel):
    """Copy into a bus."""

    level_db: float = Field(ge=-120, le=24, description="level of the copy")
    tap: Literal["after_chain", "after_fader"] = Field(
        "after_fader", description="after_chain: before fader and pan (a mono print goes to the centre)"
    )


class RidePoint(StrictModel):
    """Point of a ride. Between points the gain is linear in dB."""

    at_s: float = Field(ge=0, le=86400, description="time in the session")
    gain_db: float = Field(ge=-120, le=24, description="added to the fader")


class ActiveStretch(StrictModel):
    """Stretch of the session."""

    from_s: float = Field(ge=0, le=86400, description="start of the stretch")
    to_s: float = Field(ge=0, le=86400, description="end of the stretch")

    @model_validator(mode="after")
    def _in_order(self) -> ActiveStretch:
        if self.to_s <= self.from_s:
            raise misuse(Code.WRONG_ORDER, "to_s must be later than from_s")
        return self


class _Strip(StrictModel):
    """Common keys of stems and buses: routing, level, chain."""

    note: str | None = Field(None, description="free text")
    to: Name = Field("main", description="the bus it goes into")
    level_db: float = Field(0.0, ge=-120, le=24, description="fader, after the chain")
    pan_pct: float = Field(0.0, ge=-100, le=100, description="-100 left, 0 centre, 100 right; a balance on stereo")
    sends: dict[Name, Send] = Field(
        default_factory=dict, max_length=64, description="copies into other buses: BUS = { level_db = -18 }"
    )
    ride: list[RidePoint] = Field(
        default_factory=list,
        max_length=10000,
        description="moves of the fader: { at_s = 12, gain_db = -2 }, linear in dB between points",
    )
    active: list[ActiveStretch] = Field(
        default_factory=list,
        max_length=10000,
        description="stretches that sound ({ from_s = 0, to_s = 9.5 }, 10 ms fades); affects fader and sends, not keys",
    )
    mute: bool = Field(False, description="mute fader and sends, not keys")
    chain: list[AnyStep] = Field(default_factory=list, max_length=128, description="the steps, in order")

    @model_validator(mode="after")
    def _times_in_order(self) -> _Strip:
        if any(later.at_s <= earlier.at_s for earlier, later in pairwise(self.ride)):
            raise misuse(Code.WRONG_ORDER, "the times of the ride's points must increase")
        return self


class Microphone(StrictModel):
    """Facts about a microphone. Any key is allowed; these have a meaning."""

    model_config = ConfigDict(extra="allow")

    distance_m: float | None = Field(None, ge=0, le=1000, description="distance from the source to the microphone")
    pad_db: float | None = Field(None, ge=-60, le=0, description="pad before the converter")


class Stem(_Strip):
    """Recorded file of the session, with its chain and its place in the mix."""

    file: str | Annotated[list[str], Field(min_length=2, max_length=2)] = Field(
        description="the file in stems_dir, or [left, right] as two mono files"
    )
    channel: int | None = Field(None, ge=1, le=64, description="use only this channel of the file, or of both files")
    at_s: float = Field(0.0, ge=0, le=86400, description="time of the first used sample in the session")
    from_s: float = Field(0.0, ge=0, le=86400, description="use the file from this time on")
    to_s: float | None = Field(None, ge=0, le=86400, description="use the file up to this time")
    trim_db: float | Pair = Field(0.0, description="level before the chain; one value or [left, right]")
    invert: bool | BoolPair = Field(False, description="polarity before the chain")
    shift_samples: float | Pair | None = Field(
        None, description="shift in time before the chain, at the working rate; positive is later"
    )
    shift_ms: float | Pair | None = Field(None, description="shift in milliseconds; positive is later")
    hit_level_dbfs: float | None = Field(
        None, ge=-120, le=20, description="usual peak of a hit in the file (before trim_db)"
    )
    group: Name | None = Field(None, description="microphones that hear the same thing share a group")
    microphone: Microphone = Field(
        default_factory=lambda: Microphone(),
        description="facts about the microphone; distance_m and pad_db are numbers",
    )

    @model_validator(mode="after")
    def _belongs_together(self) -> Stem:
        if self.shift_samples is not None and self.shift_ms is not None:
            raise misuse(Code.KEYS_CLASH, "give shift_samples or shift_ms, not both")
        if self.to_s is not None and self.to_s <= self.from_s:
            raise misuse(Code.WRONG_ORDER, "to_s must be later than from_s")
        for key, low, high in (
            ("trim_db", -120, 60),
            ("shift_samples", -1e6, 1e6),
            ("shift_ms", -5000, 5000),
        ):
            value = getattr(self, key)
            for one in value if isinstance(value, list) else [value]:
                if one is not None and not low <= one <= high:
                    message = f"{key} is out of range ({one:g} given; {low:g} to {high:g} allowed)"
                    raise misuse(Code.OUT_OF_RANGE, message)
        return self


class Bus(_Strip):
    """Sum with its own chain."""


class Main(StrictModel):
    """Last bus, the stereo mix."""

    note: str | None = Field(None, description="free text")
    chain: list[AnyStep] = Field(default_factory=list, max_length=128, description="the steps, in order")


STANDARDS = {"EBU R 128": (-23.0, -1.0)}
"""Targets of public standards: programme loudness in LUFS, maximum true peak in dBTP."""


class Tags(StrictModel):
    """Text in the file."""

    title: str | None = Field(None, max_length=200, description="title of the piece")
    artist: str | None = Field(None, max_length=200, description="name of the artist")
    date: str | None = Field(None, max_length=10, description="YYYY-MM-DD or YYYY")
    comment: str | None = Field(
        None, max_length=500, description="default: the recipe's hash and the program's version"
    )


class Delivery(StrictModel):
    """File to write."""

    file: str = Field(
        min_length=1,
        max_length=200,
        description="name, with {recipe} {variant} {name} filled in; its ending is the format: .wav .flac .ogg .mp3",
    )
    what: str = Field("main", description='"main", "buses.NAME", "stems.NAME", "buses.*" or "stems.*"')
    tap: Literal["after_chain", "after_fader"] = Field(
        "after_chain", description="for stems and buses: before or after fader and pan"
    )
    only: list[Name] = Field(default_factory=list, max_length=256, description="only these stems and buses sound")
    without: list[Name] = Field(
        default_factory=list, max_length=256, description="these stems and buses are muted: a mix to play along with"
    )
    bits: Literal[16, 24, 32] = Field(24, description="16 and 24 are integers, 32 is float")
    dither: bool = Field(True, description="triangular dither for 16 and 24 bits")
    seed: int = Field(0, ge=0, le=2**31, description="seed of the dither")
    target_lufs: float | None = Field(None, ge=-60, le=0, description="integrated loudness, reached by a constant gain")
    max_dbtp: float | None = Field(None, ge=-60, le=6, description="maximum true peak; it limits the gain")
    standard: Literal["EBU R 128"] | None = Field(
        None, description="sets target_lufs to -23 and max_dbtp to -1 where they are not given"
    )
    fit: Literal["gain", "limiter"] = Field(
        "gain", description="reach the target by gain only, or with a true-peak limiter after it"
    )
    rate_hz: int | None = Field(
        None, ge=8000, le=384000, description="sampling rate of the file; default: the session's"
    )
    layout: Literal["stereo", "mono"] = Field("stereo", description="mono sums left and right at mono_law_db")
    mono_law_db: float = Field(
        -6.0, ge=-6.03, le=0, description="level of left and right in the mono sum; at -6 the centre keeps its level"
    )
    from_s: float | None = Field(None, ge=0, le=86400, description="time in the session at which the file begins")
    to_s: float | None = Field(None, ge=0, le=86400, description="time in the session at which the file ends")
    fade_in_s: float = Field(0.0, ge=0, le=600, description="fade in at the file's start, raised cosine")
    fade_out_s: float = Field(0.0, ge=0, le=600, description="fade out at the file's end, raised cosine")
    quality_pct: float = Field(80.0, ge=0, le=100, description="quality of .ogg and .mp3")
    tags: Tags | None = Field(None, description="text in the file")
    bext: bool = Field(False, description="a broadcast extension chunk with loudness (EBU Tech 3285), in .wav")
    sidecar: bool = Field(False, description="write NAME.json next to the file: recipe hash, version, measurements")
    note: str | None = Field(None, description="free text")

    def loudness(self) -> tuple[float | None, float | None]:
        """Target in LUFS and maximum in dBTP, as written, else the standard's."""
        loud, peak = STANDARDS[self.standard] if self.standard is not None else (None, None)
        return (
            self.target_lufs if self.target_lufs is not None else loud,
            self.max_dbtp if self.max_dbtp is not None else peak,
        )

    @model_validator(mode="after")
    def _goes_together(self) -> Delivery:
        ending = self.file.rpartition(".")[2].lower()
        if self.bext and ending != "wav":
            raise misuse(Code.FORMAT_CANNOT_HOLD, "bext needs a .wav file")
        if ending == "mp3" and self.rate_hz is not None and self.rate_hz > 48000:
            raise misuse(Code.FORMAT_CANNOT_HOLD, ".mp3 supports rates up to 48000 Hz")
        if self.to_s is not None and self.to_s <= (self.from_s or 0.0):
            raise misuse(Code.WRONG_ORDER, "to_s must be later than from_s")
        if self.fit == "limiter" and self.loudness()[0] is None:
            raise misuse(Code.KEYS_INCOMPLETE, 'fit = "limiter" needs target_lufs or a standard')
        return self


class Expectation(StrictModel):
    """Required range of one measured value."""

    is_: float | None = Field(None, alias="is", description="required value, with `within`")
    within: float | None = Field(None, ge=0, description="maximum difference from `is`")
    min: float | None = Field(None, description="minimum value")
    max: float | None = Field(None, description="maximum value")
    delivery: str | None = Field(None, description="the file that this is about; default: the first delivery")

    @model_validator(mode="after")
    def _says_something(self) -> Expectation:
        if (self.is_ is None) != (self.within is None):
            raise misuse(Code.KEYS_INCOMPLETE, "`is` and `within` go together")
        if self.is_ is not None and (self.min is not None or self.max is not None):
            raise misuse(Code.KEYS_CLASH, "give `is` and `within`, or min and max, not both")
        if self.min is not None and self.max is not None and self.min > self.max:
            raise misuse(Code.WRONG_ORDER, "min is above max: no value can meet that")
        if all(value is None for value in (self.is_, self.min, self.max)):
            raise misuse(Code.MISSING_KEY, "give `is` and `within`, or min, max or both")
        return self


class Tolerances(StrictModel):
    """Allowed differences of a render from its baseline. Inaudible differences always pass."""

    integrated_lu: float = Field(0.1, ge=0, description="integrated loudness; EBU Tech 3341 allows meters this much")
    loudness_max_lu: float = Field(0.1, ge=0, description="momentary and short-term maxima")
    range_lu: float = Field(0.2, ge=0, description="loudness range")
    curve_lu: float = Field(0.3, ge=0, description="short-term loudness at every moment")
    true_peak_db: float = Field(0.1, ge=0, description="true peak")
    third_octave_db: float = Field(0.1, ge=0, description="third octaves within 50 dB of the loudest")
    correlation: float = Field(0.01, ge=0, description="correlation of left and right")
    side_db: float = Field(0.2, ge=0, description="level of side relative to mid")
    reading_db: float = Field(0.1, ge=0, description="gain reduction of dynamics steps; only shown as a cause")
    residual_lu: float = Field(
        -60.0, ge=-200, le=0, description="residual against the mix, below which a difference is inaudible"
    )


class Expect(StrictModel):
    """Expectations that verify checks besides the baseline: PATH = { is, within } or { min, max }."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, Expectation]
    any_other: ClassVar[type[BaseModel] | None] = Expectation

    tolerance: Tolerances = Field(default_factory=Tolerances, description="allowed differences from the baseline")
    baseline: Literal["required", "none"] = Field(
        "required", description='without a baseline verify fails; "none": only these expectations are checked'
    )

    def items(self) -> list[tuple[str, Expectation]]:
        """All expectations, each with the path of its reading."""
        return list((self.__pydantic_extra__ or {}).items())


class Recipe(StrictModel):
    """Recipe of a stereo mix from a session's stems."""

    grammar: Version = Field(description="version of the grammar")
    title: str | None = Field(None, description="free text")
    note: str | None = Field(None, description="free text")
    base: str | None = Field(None, description="recipe over which this one is laid")
    rate_hz: int | None = Field(
        None, ge=8000, le=384000, description="working rate; default: the most common rate of the stems"
    )
    stems_dir: str = Field(".", description="folder of the stems, relative to this file")
    presets_dirs: list[str] = Field(
        default_factory=lambda: ["presets"], max_length=32, description="preset libraries, searched in order"
    )
    pan_law_db: PanLaw = Field(-3.0, description="level of a centred mono print in left and right: -3, -4.5 or -6")
    tempo_bpm: float | None = Field(None, ge=10, le=500, description="tempo, for times in beats")
    max_tail_s: float = Field(10.0, ge=0, le=600, description="maximum length of a print beyond the session's end")
    stems: dict[Name, Stem] = Field(min_length=1, max_length=512, description="the recorded files")
    buses: dict[Name, Bus] = Field(default_factory=dict, max_length=256, description="sums with chains")
    main: Main = Field(default_factory=Main, description="the last bus")
    deliver: list[Delivery] = Field(
        default_factory=lambda: [Delivery(file="mix.wav")],
        min_length=1,
        max_length=256,
        description="files to write",
    )
    variants: dict[Name, dict[str, Any]] = Field(
        default_factory=dict, max_length=256, description="named overlays: render --variant NAME"
    )
    expect: Expect = Field(default_factory=lambda: Expect(), description="expectations that verify checks")


class PresetUse(StrictModel):
    """Use of a preset in a chain."""

    preset: str = Field(min_length=1, max_length=200, description="the preset's name")
    name: str | None = Field(None, max_length=64, description="names the use, unique in its chain")
    note: str | None = Field(None, description="free text")
    bypass: bool = Field(False, description="leave the preset out")
    mix_pct: float = Field(100.0, ge=0, le=100, description="share of wet in the output; the rest is dry")
    set: dict[str, Any] = Field(
        default_factory=dict, max_length=256, description='changes inside the preset: "STEP.key" = value'
    )


class PresetFile(StrictModel):
    """Named chain of the preset library; the chain itself is checked where it is used."""

    grammar: Version = Field(description="version of the grammar")
    about: str | None = Field(None, description="what it is for, as one would say it at the desk")
    since: int | None = Field(None, ge=1900, le=3000, description="year in which it was added")
    status: Literal["current", "retired"] = Field("current", description="whether it is still recommended")
    retired_in: int | None = Field(None, ge=1900, le=3000, description="year in which it was retired")
    replaced_by: str | None = Field(None, description="name of its successor; advice only")
    was: list[str] = Field(
        default_factory=list, max_length=64, description="former names, which still find this preset"
    )
    suits: list[str] = Field(default_factory=list, max_length=64, description="instruments that it suits")
    tags: list[str] = Field(default_factory=list, max_length=64, description="free keywords")
    note: str | None = Field(None, description="free text")
    chain: list[Any] = Field(max_length=128, description="the steps, in order")
