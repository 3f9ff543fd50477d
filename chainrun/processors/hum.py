"""hum: remove mains hum."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Runner, Step, Stream, processor

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Hum(Step):
    """Remove mains hum: narrow notches at the mains frequency and its harmonics.

    Each notch is bandwidth_hz wide at -3 dB, at every frequency. A narrower notch leaves more of the music and works
    more slowly: at 1 Hz, hum that sets in later falls by 30 dB within 1.1 s. Hum that is there from the start is
    removed from the start: it is measured in the first two seconds, and the notches begin as if it had always been
    there.
    """

    do: Literal["hum"] = "hum"
    mains_hz: float = Field(50.0, ge=40, le=70, description="mains frequency: 50 or 60, or as measured")
    harmonics: int = Field(6, ge=1, le=40, description="number of notches, including the fundamental")
    bandwidth_hz: float = Field(1.0, ge=0.1, le=10, description="bandwidth of each notch at -3 dB")
    odd_only: bool = Field(False, description="only the fundamental and odd harmonics")

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
    """Holds the first two seconds back, to measure their hum."""

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
