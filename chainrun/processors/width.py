"""width: narrower or wider, by mid and side."""

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
class Width(Step):
    """Scale the side signal: with M = (L + R) / 2 and S = (L - R) / 2, L = M + wS and R = M - wS.

    mono_below_hz leaves out the side below a Linkwitz-Riley crossover of 4th order: the lows come from the middle, and
    the mono sum keeps its level at every frequency.
    """

    do: Literal["width"] = "width"
    width_pct: float = Field(100.0, ge=0, le=200, description="0 is mono, 100 leaves the image, 200 doubles the side")
    mono_below_hz: float | None = Field(None, ge=20, le=2000, description="no side below this frequency")

    example = {"width_pct": 140.0}
    unity = {"width_pct": 100.0}
    linear = True
    needs_stereo = True
    source = "Roads, The Computer Music Tutorial, 1996; S. H. Linkwitz, JAES 24(1), 1976"

    @model_validator(mode="after")
    def _whole_below(self) -> Self:
        if self.mono_below_hz is not None and self.mix_pct < 100.0:
            message = "mix_pct would leave a notch at mono_below_hz, since the input does not turn with it"
            raise misuse(Code.KEYS_CLASH, message)
        return self

    def misfits(self, stream: Stream) -> list[Misfit]:
        found = super().misfits(stream)
        return found + (too_high("mono_below_hz", self.mono_below_hz, stream) if self.mono_below_hz else [])

    def start(self, stream: Stream) -> Runner:
        return _WidthRunner(self.width_pct / 100.0, self.mono_below_hz, stream.rate_hz)


class _WidthRunner(Runner):
    n_channels_out = 2

    def __init__(self, width: float, mono_below_hz: float | None, rate_hz: int):
        from chainrun.dsp.cascade import Cascade
        from chainrun.dsp.crossover import legs

        self._width = width
        self._turn: Cascade | None = None
        if mono_below_hz is not None:
            _, high, turn = legs(mono_below_hz, 4, rate_hz)
            # The middle goes through the all-pass that low and high leg add up to, so that both stay in phase.
            self._turn, self._high = Cascade(turn), Cascade(high)
            self._turn_state, self._high_state = self._turn.start_state(1), self._high.start_state(1)
            self.tail_frames = max(self._turn.tail_frames(), self._high.tail_frames())

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        if self._turn is None:
            return x * ((1.0 + self._width) / 2.0) + x[::-1] * ((1.0 - self._width) / 2.0)
        middle, side = (x[:1] + x[1:]) / 2.0, (x[:1] - x[1:]) * (self._width / 2.0)
        middle, self._turn_state = self._turn.run(middle, self._turn_state)
        side, self._high_state = self._high.run(side, self._high_state)
        return np.concatenate([middle + side, middle - side])
