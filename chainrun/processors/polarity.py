"""polarity: invert the polarity of a signal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Misfit, Runner, Step, Stream, processor
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Polarity(Step):
    """Invert the polarity: y = -x, on both channels or on one of a stereo signal."""

    do: Literal["polarity"] = "polarity"
    acts_on: Literal["both", "left", "right"] = Field("both", description="which side is inverted")

    example = {"acts_on": "both"}
    linear = True

    def in_words(self) -> str:
        return "inverts the polarity" + ("" if self.acts_on == "both" else f" of the {self.acts_on} side")

    def start(self, stream: Stream) -> Runner:
        import numpy as np

        signs = np.full((stream.n_channels, 1), -1.0)
        if self.acts_on != "both":
            signs[1 if self.acts_on == "left" else 0] = 1.0
        return _PolarityRunner(signs)

    def misfits(self, stream: Stream) -> list[Misfit]:
        if self.acts_on != "both" and stream.n_channels != 2:
            message = "needs a stereo signal, but the signal here is mono"
            return [Misfit("acts_on", message, given=self.acts_on, allowed='"both"', code=Code.NO_SUCH_CHANNEL)]
        return []


class _PolarityRunner(Runner):
    def __init__(self, signs: Array):
        self.n_channels_out = signs.shape[0]
        self._signs = signs

    def run(self, x: Array, keys: Keys) -> Array:
        return x * self._signs
