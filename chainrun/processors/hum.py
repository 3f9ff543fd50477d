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

    Each notch is bandwidth_hz wide at -3 dB, whatever its frequency: narrow enough to leave the music between, and so
    slow that at 1 Hz a wave that sets in takes 1.1 s to fall by 30 dB. A hum that is there from the beginning goes from
    the beginning: it is measured in the first two seconds, and the notches start as if it had always been there.
    """

    do: Literal["hum"] = "hum"
    mains_hz: float = Field(50.0, ge=40, le=70, description="the mains frequency: 50 or 60, or what was measured")
    harmonics: int = Field(6, ge=1, le=40, description="notches, the fundamental counted in")
    bandwidth_hz: float = Field(1.0, ge=0.1, le=10, description="width of each notch at -3 dB")
    odd_only: bool = Field(False, description="fundamental and odd harmonics alone")

    example = {"mains_hz": 50.0, "harmonics": 4}
    source = "Audio EQ Cookbook notches, 8 June 2021; mains frequencies: common practice"

    picture = "response"

    def start(self, stream: Stream) -> Runner:
        import numpy as np

        from chainrun.dsp.biquad import notch

        step = 2 if self.odd_only else 1
        freqs = [self.mains_hz * (1 + step * k) for k in range(self.harmonics)]
        inside = np.array([freq for freq in freqs if freq < 0.49 * stream.rate_hz])
        sections = np.array([notch(f, f / self.bandwidth_hz, stream.rate_hz) for f in inside])
        return _HumRunner(stream, sections, inside)


class _HumRunner(Runner):
    """Holds the first two seconds back, to see which hum is in it."""

    def __init__(self, stream: Stream, sections: Array, freqs_hz: Array):
        import numpy as np

        from chainrun.dsp.cascade import Cascade

        self.n_channels_out = stream.n_channels
        self.latency_frames = 2 * stream.rate_hz
        self._rate_hz, self._sections, self._freqs_hz = stream.rate_hz, sections, freqs_hz
        self._cascade = Cascade(sections)
        self._state: Array | None = None
        self._held = np.zeros((stream.n_channels, 0))
        self.tail_frames = self._cascade.tail_frames()

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        held = np.concatenate([self._held, x], axis=1)
        if self._state is None and held.shape[1] < self.latency_frames:
            self._held = held
            return np.zeros_like(x)
        out: list[Array] = []
        if self._state is None:
            self._state = self._settled(held[:, : self.latency_frames])
            out = [np.zeros((x.shape[0], self.latency_frames - self._held.shape[1]))]
        ready = x.shape[1] - sum(part.shape[1] for part in out)
        y, self._state = self._cascade.run(np.ascontiguousarray(held[:, :ready]), self._state)
        self._held = held[:, ready:]
        return np.concatenate([*out, y], axis=1)

    def _settled(self, first: Array) -> Array:
        from chainrun.dsp.steady import settled_state, steady_waves

        waves = steady_waves(first, self._freqs_hz, self._rate_hz)
        return settled_state(self._sections, self._freqs_hz, waves, self._rate_hz)
