"""width: narrower or wider, by mid and side."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Runner, Step, Stream, processor

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Width(Step):
    """Scale the side signal: with M = (L + R) / 2 and S = (L - R) / 2, L = M + wS and R = M - wS."""

    do: Literal["width"] = "width"
    width_pct: float = Field(100.0, ge=0, le=200, description="0 is mono, 100 leaves the image, 200 doubles the side")

    example = {"width_pct": 140.0}
    unity = {"width_pct": 100.0}
    linear = True
    needs_stereo = True
    source = "Roads, The Computer Music Tutorial, 1996 (from memory)"

    def start(self, stream: Stream) -> Runner:
        return _WidthRunner(self.width_pct / 100.0)


class _WidthRunner(Runner):
    n_channels_out = 2

    def __init__(self, width: float):
        self._own, self._other = (1.0 + width) / 2.0, (1.0 - width) / 2.0

    def run(self, x: Array, keys: Keys) -> Array:
        return x * self._own + x[::-1] * self._other
