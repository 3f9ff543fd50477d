"""room: the reflections and the tail of a box-shaped room."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from chainrun.contract import Keys, Misfit, Runner, Step, Stream, processor
from chainrun.contract.misuse import misuse
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from typing import Self

    from chainrun.dsp.arrays import Array
    from chainrun.dsp.room import MadeRoom

Decay = Annotated[float, Field(ge=0.05, le=10)]
AbsorptionPct = Annotated[float, Field(ge=0.5, le=98)]
Place = Annotated[list[float], Field(min_length=3, max_length=3)]
MAX_DECAY_S = 12.0
MIN_DISTANCE_M = 0.2
HELD_SHARE = 0.05
"""Octaves that decay further off than this are reported."""
DEFAULT_TRIES_UNEVEN = 5.0
"""How often a room with short or uneven decays is drawn, on average."""
SIDE_M = 0.6
"""A stereo signal's left and right stand so far from the source's place."""


@processor
class Room(Step):
    """The room around a sound: reflections from the walls of a box, then a diffuse tail.

    The step outputs the wet signal alone; mix_pct is its share. It is in time with the direct sound.

    level = "as_dry": pink noise (equal energy per octave, 20 Hz to 20 kHz or to half the rate) has the same energy wet
    as dry, while early_db and late_db are 0; these change the level of the reflections and of the tail, wet_db that of
    both. The dry energy of a mono signal is that of left and right together, after the pan law (at -3 dB: its own
    energy). A stereo signal is matched if left and right are uncorrelated. level = "physical": the room has its real
    level relative to the direct sound; the farther the source, the higher it is.

    Width is from left to right, depth from front to back. The walls are given by decay_s or absorption_pct, as one
    number or one for each octave from 63 Hz to 8 kHz. Source and microphone are at source_m and microphone_m, or
    distance_m apart in the middle of the room. A mono signal becomes stereo. Left and right of a stereo signal stand
    0.6 m to either side of the source, so what is on the left stays on the left; a source in the middle is equally loud
    left and right in every third octave. The same seed gives the same room.

    With decay times from 0.2 to 4 s, every octave decays within 5 % of the time given (T20 and T30 of ISO 3382). The
    exception is an octave whose neighbours decay much longer, since an octave filter also passes their rest: `check`
    warns of it, and the render reports its decay. Reflections later than a quarter of the decay belong to the tail. An
    octave with only a few periods in its decay comes from the tail alone, from the first reflection on.
    """

    do: Literal["room"] = "room"
    width_m: float = Field(6.0, ge=1, le=60, description="size from left to right")
    depth_m: float = Field(5.0, ge=1, le=60, description="size from front to back")
    height_m: float = Field(3.0, ge=1, le=30, description="size from floor to ceiling")
    decay_s: Decay | Annotated[list[Decay], Field(min_length=8, max_length=8)] | None = Field(
        None,
        description="decay time (60 dB), 0.05 to 10 s: one value, or eight, one per octave; default 0.4",
    )
    absorption_pct: AbsorptionPct | Annotated[list[AbsorptionPct], Field(min_length=8, max_length=8)] | None = Field(
        None, description="share of the energy that the walls absorb, 0.5 to 98: one value, or eight, one per octave"
    )
    damping_pct: float = Field(0.0, ge=0, le=100, description="shortens the decay above 1 kHz, up to a fifth at 8 kHz")
    distance_m: float | None = Field(
        None, ge=0.2, le=60, description="from source to microphone; default 1.5, at most 0.6 of depth_m"
    )
    source_m: Place | None = Field(
        None, description="place of the source: [from the left wall, from the front wall, above the floor]"
    )
    microphone_m: Place | None = Field(
        None, description="place of the microphone, in the same order; give both places or neither"
    )
    predelay_ms: float = Field(0.0, ge=0, le=250, description="delay of the whole room")
    level: Literal["as_dry", "physical"] = Field(
        "as_dry", description="as_dry: pink noise is as loud wet as dry; physical: as in the real room"
    )
    wet_db: float = Field(0.0, ge=-120, le=24, description="wet level")
    early_db: float = Field(0.0, ge=-120, le=24, description="level of the early reflections")
    late_db: float = Field(0.0, ge=-120, le=24, description="level of the late tail")
    width_pct: float = Field(100.0, ge=0, le=200, description="stereo width: 0 is mono, 100 as two ears hear it")
    seed: int = Field(1, ge=0, le=2**31, description="another seed gives another room of the same kind")

    example = {"width_m": 5.0, "depth_m": 4.0, "height_m": 2.8, "decay_s": 0.35, "mix_pct": 25.0}
    linear = True
    wet_alone = True
    ns_a_frame = 70.0
    source = "Allen and Berkley, JASA 65(4), 1979; Kuttruff, Room Acoustics"

    @model_validator(mode="after")
    def _makes_a_room(self) -> Self:
        if self.decay_s is not None and self.absorption_pct is not None:
            raise misuse(Code.KEYS_CLASH, "give decay_s or absorption_pct, not both")
        if (self.source_m is None) != (self.microphone_m is None):
            raise misuse(Code.KEYS_INCOMPLETE, "source_m and microphone_m go together")
        if self.source_m is not None and self.distance_m is not None:
            raise misuse(Code.KEYS_CLASH, "give the two places or distance_m, not both")
        size = (self.width_m, self.depth_m, self.height_m)
        if self.absorption_pct is not None:
            from chainrun.dsp.eyring import decay_of

            lowest_pct = min(self.absorption_pct) if isinstance(self.absorption_pct, list) else self.absorption_pct
            decay_s = decay_of(lowest_pct / 100.0, size)
            if decay_s > MAX_DECAY_S:
                message = (
                    f"walls that absorb {lowest_pct:g} % make a decay of {decay_s:.1f} s; at most {MAX_DECAY_S:g} s"
                )
                raise misuse(Code.OUT_OF_RANGE, message)
        self._places_fit(size)
        return self

    def _places_fit(self, size: tuple[float, float, float]) -> None:
        """Source and microphone lie inside the room, and not in one place."""
        for name in ("source_m", "microphone_m"):
            place = getattr(self, name)
            if place is not None and any(not 0 < at < length for at, length in zip(place, size, strict=True)):
                raise misuse(Code.OUT_OF_RANGE, f"{name} lies outside the room")
        if self.distance_m is not None and self.distance_m >= self.depth_m - 0.2:
            fits = f"at most {self.depth_m - 0.2:g} m goes into a depth_m of {self.depth_m:g}"
            raise misuse(Code.OUT_OF_RANGE, f"distance_m = {self.distance_m:g} does not fit: {fits}")
        if self.source_m is not None and self.microphone_m is not None:
            apart = sum((a - b) ** 2 for a, b in zip(self.source_m, self.microphone_m, strict=True)) ** 0.5
            if apart < MIN_DISTANCE_M:
                message = f"source_m and microphone_m are {apart:.2g} m apart; at least {MIN_DISTANCE_M:g} m"
                raise misuse(Code.OUT_OF_RANGE, message)

    def channels_out(self, n_channels: int) -> int:
        return 2

    def _decays(self) -> list[float]:
        """The decay of each octave, before damping."""
        from chainrun.dsp.eyring import decay_of

        if self.absorption_pct is None:
            return list(self.decay_s) if isinstance(self.decay_s, list) else [self.decay_s or 0.4] * 8
        size = (self.width_m, self.depth_m, self.height_m)
        walls = self.absorption_pct if isinstance(self.absorption_pct, list) else [self.absorption_pct] * 8
        return [decay_of(pct / 100.0, size) for pct in walls]

    def _damped_decays(self) -> list[float]:
        """The decay of each octave in seconds, with damping: one step an octave above 1 kHz."""
        return [
            decay * (1.0 - 0.8 * max(0.0, (band - 4) / 3.0) * self.damping_pct / 100.0)
            for band, decay in enumerate(self._decays())
        ]

    def held_s(self, stream: Stream) -> float:
        return 1.0 + 32.0 * max(self._decays())

    def start_s(self, stream: Stream) -> float:
        decays = self._damped_decays()
        uneven = min(decays) < 0.3 or any(abs(math.log(a / b)) > 0.2 for a, b in pairwise(decays))
        tries = DEFAULT_TRIES_UNEVEN if uneven else 1.0
        return tries * stream.n_channels * (0.3 + 1.7e-5 * max(decays) * stream.rate_hz)

    def misfits(self, stream: Stream) -> list[Misfit]:
        decays = self._damped_decays()
        if max(decays) <= 1.02 * min(decays):
            return super().misfits(stream)
        from chainrun.dsp.room_decay import OCTAVES_HZ, expected

        crooked = [(freq, one) for freq, one in zip(OCTAVES_HZ, expected(decays), strict=True) if not one.is_asked]
        if not crooked:
            return super().misfits(stream)
        told = ", ".join(f"{freq:g} Hz about {one.t30_s:.2g} s (asked {one.asked_s:.2g} s)" for freq, one in crooked)
        written = "decay_s" if isinstance(self.decay_s, list) else "absorption_pct"
        return [
            *super().misfits(stream),
            Misfit(
                written if isinstance(getattr(self, written), list) else "damping_pct",
                f"neighbouring octaves outlast these, which will decay as T30 in: {told}",
                hint="let the decay change by less than a third from octave to octave",
                severity="warning",
                code=Code.UNEVEN_DECAY,
            ),
        ]

    def impulse_responses(self, rate_hz: int, n_channels: int, pan_law_db: float = -3.0) -> list[Array]:
        """For each input channel the responses to left and right, shape (2, n_frames)."""
        return self.made(rate_hz, n_channels, pan_law_db).impulse_responses

    def made(self, rate_hz: int, n_channels: int, pan_law_db: float = -3.0) -> MadeRoom:
        """The room's responses, and how they decay."""
        from chainrun.dsp.pan import pan_gains
        from chainrun.dsp.room import Box, Setting, make_room
        from chainrun.units import db_to_gain, ms_to_frames

        size, decays = (self.width_m, self.depth_m, self.height_m), self._damped_decays()
        source, microphone = self._places()
        # The dry part of a mono signal is laid into both sides, each at the pan law's centre.
        dry_energy = 2.0 * pan_gains(0.0, pan_law_db)[0] ** 2 if n_channels == 1 else 1.0
        setting = Setting(
            source,
            microphone,
            self.width_pct / 100.0,
            db_to_gain(self.early_db),
            db_to_gain(self.late_db),
            ms_to_frames(self.predelay_ms, rate_hz),
            self.seed,
            dry_energy if self.level == "as_dry" else None,
            db_to_gain(self.wet_db),
        )
        sides = [0.0] if n_channels == 1 else [-SIDE_M, SIDE_M]
        return make_room(Box(size, tuple(decays)), setting, rate_hz, sides)

    def _places(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        if self.source_m is not None and self.microphone_m is not None:
            s, m = self.source_m, self.microphone_m
            return (s[0], s[1], s[2]), (m[0], m[1], m[2])
        apart = self.distance_m if self.distance_m is not None else min(1.5, 0.6 * self.depth_m)
        front, height = (self.depth_m - apart) / 2.0, 0.45 * self.height_m
        # A little off the middle, so that reflections of opposite walls do not fall together.
        x = 0.47 * self.width_m
        return (x, front, height), (x, front + apart, height)

    def in_words(self) -> str:
        size = f"{self.width_m:g} x {self.depth_m:g} x {self.height_m:g} m"
        loud = "as loud as the dry sound" if self.level == "as_dry" else "at its physical level"
        changed = f" {self.wet_db:+g} dB" if self.wet_db else ""
        return f"a room of {size}, {loud}{changed}; mix {self.mix_pct:g} %"

    def start(self, stream: Stream) -> Runner:
        return _RoomRunner(self.made(stream.rate_hz, stream.n_channels, stream.pan_law_db), self._damped_decays())


class _RoomRunner(Runner):
    n_channels_out = 2

    def __init__(self, made: MadeRoom, decays: list[float]):
        from chainrun.dsp.convolution import Convolver
        from chainrun.dsp.room_decay import OCTAVES_HZ

        impulse_responses = made.impulse_responses
        off = [
            f"{freq:g} Hz {t30:.2g} s (asked {asked:.2g} s)"
            for freq, asked, t20, t30 in zip(OCTAVES_HZ, decays, made.t20_s, made.t30_s, strict=True)
            if max(abs(t20 / asked - 1.0), abs(t30 / asked - 1.0)) > HELD_SHARE
        ]
        self._notes = [f"room: T30 of some octaves is not what was asked: {', '.join(off)}"] if off else []
        self._convolvers = [Convolver(one) for one in impulse_responses]
        self.latency_frames = self._convolvers[0].latency_frames
        self.tail_frames = max(one.shape[1] for one in impulse_responses)

    def notes(self) -> list[str]:
        return self._notes

    def run(self, x: Array, keys: Keys) -> Array:
        total = self._convolvers[0].run(x[0])
        for convolver, row in zip(self._convolvers[1:], x[1:], strict=True):
            total += convolver.run(row)
        return total
