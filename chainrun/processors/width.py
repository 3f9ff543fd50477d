"""width: make the stereo image narrower or wider."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Misfit, Runner, Step, Stream, processor
from chainrun.contract.misfit import too_high

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Width(Step):
    """Scale the side signal: with M = (L + R) / 2 and S = (L - R) / 2, L = M + wS and R = M - wS.

    mono_below_hz removes the side below a Linkwitz-Riley crossover of 24 dB per octave: the lows are mono, and the mono
    sum keeps its level at every frequency. The phase turns around the crossover; so does that of the dry part of
    mix_pct, also at 0 %.
    """

    do: Literal["width"] = "width"
    width_pct: float = Field(100.0, ge=0, le=200, description="0 is mono, 100 leaves the image, 200 doubles the side")
    mono_below_hz: float | None = Field(None, ge=20, le=2000, description="the signal is mono below this frequency")

    example = {"width_pct": 140.0}
    unity = {"width_pct": 100.0}
    linear = True
    needs_stereo = True
    source = "Roads, The Computer Music Tutorial, 1996; S. H. Linkwitz, JAES 24(1), 1976"

    def misfits(self, stream: Stream) -> list[Misfit]:
        found = super().misfits(stream)
        return found + (too_high("mono_below_hz", self.mono_below_hz, stream) if self.mono_below_hz else [])

    def changes_nothing(self) -> bool:
        return self.mono_below_hz is None and super().changes_nothing()

    def start(self, stream: Stream) -> Runner:
        return _WidthRunner(self, stream.rate_hz)


class _WidthRunner(Runner):
    n_channels_out = 2

    def __init__(self, step: Width, rate_hz: int):
        from chainrun.dsp.cascade import Cascade
        from chainrun.dsp.crossover import legs

        self._width = step.width_pct / 100.0
        self._turn: Cascade | None = None
        self.own_dry = step.mono_below_hz is not None and step.mix_pct < 100.0
        if step.mono_below_hz is not None:
            _, high, turn = legs(step.mono_below_hz, 4, rate_hz)
            # Mid goes through the all-pass that equals the sum of both legs, so that mid and side stay in phase.
            self._turn, self._high = Cascade(turn), Cascade(high)
            self._turn_state, self._high_state = self._turn.start_state(1), self._high.start_state(1)
            self._dry_state = self._turn.start_state(2)
            self.tail_frames = max(self._turn.tail_frames(), self._high.tail_frames())

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        if self._turn is None:
            return x * ((1.0 + self._width) / 2.0) + x[::-1] * ((1.0 - self._width) / 2.0)
        if self.own_dry:
            self._dry, self._dry_state = self._turn.run(x, self._dry_state)
        middle, side = (x[:1] + x[1:]) / 2.0, (x[:1] - x[1:]) * (self._width / 2.0)
        middle, self._turn_state = self._turn.run(middle, self._turn_state)
        side, self._high_state = self._high.run(side, self._high_state)
        return np.concatenate([middle + side, middle - side])

    def dry_part(self) -> Array:
        return self._dry
