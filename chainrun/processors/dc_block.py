"""dc_block: remove a constant offset."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Runner, Step, Stream, processor

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class DcBlock(Step):
    """Remove DC by a first-order high-pass far below the music."""

    do: Literal["dc_block"] = "dc_block"
    freq_hz: float = Field(4.0, ge=0.5, le=30, description="3 dB down at this frequency")

    example = {"freq_hz": 4.0}
    linear = True
    source = "first-order high-pass by the bilinear transform"

    picture = "response"

    def in_words(self) -> str:
        return f"removes DC with a high-pass at {self.freq_hz:g} Hz"

    def start(self, stream: Stream) -> Runner:
        return _DcBlockRunner(stream.n_channels, self.freq_hz, stream.rate_hz)


class _DcBlockRunner(Runner):
    def __init__(self, n_channels: int, freq_hz: float, rate_hz: int):
        from chainrun.dsp.biquad import first_order
        from chainrun.dsp.cascade import Cascade

        self.n_channels_out = n_channels
        self._cascade = Cascade(first_order(freq_hz, rate_hz, high=True)[None, :])
        self._state = self._cascade.start_state(n_channels)
        self.tail_frames = self._cascade.tail_frames()

    def run(self, x: Array, keys: Keys) -> Array:
        y, self._state = self._cascade.run(x, self._state)
        return y
