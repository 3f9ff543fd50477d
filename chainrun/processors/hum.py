"""hum: take mains hum out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Runner, Step, Stream, processor

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Hum(Step):
    """Cut a mains frequency and its harmonics by a comb of narrow notches.

    Each notch is notch_hz wide at -3 dB, whatever its frequency: narrow enough to leave the music between, and so
    slow that at 1 Hz a steady hum takes 1.1 s to fall by 30 dB: it is heard where the file begins.
    """

    do: Literal["hum"] = "hum"
    mains_hz: float = Field(50.0, ge=40, le=70, description="the mains frequency: 50 or 60, or what was measured")
    harmonics: int = Field(6, ge=1, le=40, description="notches, the fundamental counted in")
    notch_hz: float = Field(1.0, ge=0.1, le=10, description="width of each notch at -3 dB")
    odd_only: bool = Field(False, description="fundamental and odd harmonics alone")

    example = {"mains_hz": 50.0, "harmonics": 4}
    linear = True
    source = "Audio EQ Cookbook notches, 8 June 2021; mains frequencies: common practice"

    def start(self, stream: Stream) -> Runner:
        import numpy as np

        from chainrun.dsp.biquad import notch

        step = 2 if self.odd_only else 1
        freqs = [self.mains_hz * (1 + step * k) for k in range(self.harmonics)]
        inside = [freq for freq in freqs if freq < 0.49 * stream.rate_hz]
        return _HumRunner(stream.n_channels, np.array([notch(f, f / self.notch_hz, stream.rate_hz) for f in inside]))


class _HumRunner(Runner):
    def __init__(self, n_channels: int, sections: Array):
        from chainrun.dsp.cascade import Cascade

        self.n_channels_out = n_channels
        self._cascade = Cascade(sections)
        self._state = self._cascade.start_state(n_channels)
        self.tail_frames = self._cascade.tail_frames()

    def run(self, x: Array, keys: Keys) -> Array:
        y, self._state = self._cascade.run(x, self._state)
        return y
