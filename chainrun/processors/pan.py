"""pan: place a mono signal in the stereo image, inside a chain."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Misfit, Runner, Step, Stream, processor
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Pan(Step):
    """Turn a mono signal into stereo by the recipe's pan law; a room after it then keeps the source's side."""

    do: Literal["pan"] = "pan"
    pan_pct: float = Field(0.0, ge=-100, le=100, description="-100 left, 0 centre, 100 right")

    example = {"pan_pct": -30.0}
    linear = True
    source = "Roads, The Computer Music Tutorial, 1996"

    def channels_out(self, n_channels: int) -> int:
        return 2

    def misfits(self, stream: Stream) -> list[Misfit]:
        if stream.n_channels == 1:
            return []
        message = "pan needs a mono signal, but the signal here is stereo"
        return [Misfit("do", message, hint="use balance", code=Code.NEEDS_MONO)]

    def in_words(self) -> str:
        side = "left" if self.pan_pct < 0 else "right"
        return f"panned {abs(self.pan_pct):g} % to the {side}" if self.pan_pct else "panned to the centre"

    def start(self, stream: Stream) -> Runner:
        from chainrun.dsp.pan import pan_gains

        return _PanRunner(pan_gains(self.pan_pct, stream.pan_law_db))


class _PanRunner(Runner):
    n_channels_out = 2

    def __init__(self, gains: tuple[float, float]):
        self._gains = gains

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        return np.concatenate([x[:1] * self._gains[0], x[:1] * self._gains[1]])
