"""echo: repeats of the signal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field, model_validator

from chainrun.contract import Keys, Misfit, Runner, Step, Stream, processor
from chainrun.contract.misfit import too_high
from chainrun.contract.misuse import misuse
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from typing import Self

    from chainrun.dsp.arrays import Array


@processor
class Echo(Step):
    """Repeat the signal after a time, and again: each repeat is feedback_pct of the one before, after the loop's cuts.

    The step outputs the wet signal alone; mix_pct is its share. The first repeat has the input's level;
    wet_db changes the level of all. With ping_pong a mono sum goes left first, then right, and so on. Fractions of a
    sample are interpolated.
    """

    do: Literal["echo"] = "echo"
    time_ms: float | None = Field(None, ge=5, le=5000, description="time between repeats")
    time_beats: float | None = Field(None, ge=0.01, le=64, description="time between repeats in beats of tempo_bpm")
    feedback_pct: float = Field(35.0, ge=0, le=98, description="amplitude of each repeat relative to the one before")
    low_cut_hz: float | None = Field(None, ge=20, le=5000, description="in the loop, 12 dB/octave")
    high_cut_hz: float | None = Field(None, ge=200, le=20000, description="in the loop, 12 dB/octave")
    ping_pong: bool = Field(False, description="repeats change sides")
    wet_db: float = Field(0.0, ge=-120, le=24, description="wet level")

    example = {"time_ms": 180.0, "feedback_pct": 30.0, "high_cut_hz": 5000.0, "mix_pct": 25.0}
    linear = True
    wet_alone = True
    source = "feedback comb; Butterworth cuts"

    @model_validator(mode="after")
    def _one_time(self) -> Self:
        if (self.time_ms is None) == (self.time_beats is None):
            raise misuse(Code.KEYS_CLASH, "give time_ms or time_beats")
        if self.low_cut_hz is not None and self.high_cut_hz is not None and self.low_cut_hz >= self.high_cut_hz:
            message = f"low_cut_hz ({self.low_cut_hz:g}) must lie below high_cut_hz ({self.high_cut_hz:g})"
            raise misuse(Code.WRONG_ORDER, message)
        return self

    def channels_out(self, n_channels: int) -> int:
        return 2 if self.ping_pong else n_channels

    def seconds(self, tempo_bpm: float | None) -> float:
        """The time between repeats."""
        if self.time_ms is not None:
            return self.time_ms / 1000.0
        assert self.time_beats is not None
        assert tempo_bpm is not None, "misfits() refuses this"
        return self.time_beats * 60.0 / tempo_bpm

    def misfits(self, stream: Stream) -> list[Misfit]:
        found = []
        for name in ("low_cut_hz", "high_cut_hz"):
            freq_hz = getattr(self, name)
            found += too_high(name, freq_hz, stream) if freq_hz is not None else []
        if self.time_beats is not None and stream.tempo_bpm is None:
            message = "needs tempo_bpm in the recipe"
            found.append(Misfit("time_beats", message, f"{self.time_beats:g}", code=Code.NEEDS_TEMPO))
        elif not 0.005 <= self.seconds(stream.tempo_bpm) <= 20.0:
            found.append(
                Misfit(
                    "time_beats",
                    "makes a time out of range",
                    f"{self.seconds(stream.tempo_bpm):.4g} s",
                    "0.005 to 20 s",
                    code=Code.OUT_OF_RANGE,
                )
            )
        return found

    def held_s(self, stream: Stream) -> float:
        return 1.0 + 4.0 * self.seconds(stream.tempo_bpm)

    def start(self, stream: Stream) -> Runner:
        return _EchoRunner(self, stream)


class _EchoRunner(Runner):
    def __init__(self, step: Echo, stream: Stream):
        import math

        import numpy as np

        from chainrun.dsp.biquad import butterworth
        from chainrun.dsp.echo import EchoLoop
        from chainrun.units import db_to_gain

        rate = stream.rate_hz
        cuts = [
            butterworth(2, freq_hz, rate, high=high)
            for freq_hz, high in ((step.low_cut_hz, True), (step.high_cut_hz, False))
            if freq_hz is not None
        ]
        self._ping_pong = step.ping_pong
        self._gain = db_to_gain(step.wet_db)
        self.n_channels_out = 2 if step.ping_pong else stream.n_channels
        delay = step.seconds(stream.tempo_bpm) * rate
        feedback = step.feedback_pct / 100.0
        self._loop = EchoLoop(
            delay,
            feedback,
            self.n_channels_out,
            sections=np.concatenate(cuts) if cuts else None,
            cross=step.ping_pong,
        )
        repeats = math.ceil(90.0 / (-20.0 * math.log10(feedback))) if feedback > 0.0 else 0
        ring = sum(cut.shape[0] for cut in cuts) * rate // 20
        self.tail_frames = math.ceil(delay) * (repeats + 1) + 64 + ring

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        if x.shape[1] == 0:
            return np.zeros((self.n_channels_out, 0))
        if self._ping_pong:
            total = x.mean(axis=0)
            x = np.stack([total, np.zeros_like(total)])
        y = self._loop.run(x)
        return y * self._gain if self._gain != 1.0 else y
