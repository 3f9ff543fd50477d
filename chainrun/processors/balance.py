"""balance: turn one side of a stereo signal down, or swap the sides."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Runner, Step, Stream, processor

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Balance(Step):
    """Turn one side of a stereo signal down, by cos(p pi / 2); the other stays. `swap` swaps the sides first."""

    do: Literal["balance"] = "balance"
    balance_pct: float = Field(0.0, ge=-100, le=100, description="-100 left only, 0 unchanged, 100 right only")
    swap: bool = Field(False, description="swap left and right")

    example = {"balance_pct": 20.0}
    unity = {"balance_pct": 0.0}
    linear = True
    needs_stereo = True
    source = "common practice"

    def start(self, stream: Stream) -> Runner:
        from chainrun.dsp.pan import balance_gains

        return _BalanceRunner(balance_gains(self.balance_pct), self.swap)


class _BalanceRunner(Runner):
    n_channels_out = 2

    def __init__(self, gains: tuple[float, float], swap: bool):
        import numpy as np

        self._gains, self._swap = np.array(gains)[:, None], swap

    def run(self, x: Array, keys: Keys) -> Array:
        y: Array = (x[::-1] if self._swap else x) * self._gains
        return y
