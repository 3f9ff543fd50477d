"""Side chain of a dynamics step: its key, or its own input, through the key's cuts."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chainrun.contract import Keyed, Keys, Stream

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array
    from chainrun.dsp.cascade import Cascade
    from chainrun.dsp.delay_line import DelayLine


class Sidechain:
    """Computes the signal that a step listens to: its key or its input, through the key's cuts if it has any."""

    def __init__(self, step: Keyed, stream: Stream):
        key, low_cut_hz, high_cut_hz = step.key, step.key_low_cut_hz, step.key_high_cut_hz
        self.key = key
        self.plain = key is None and low_cut_hz is None and high_cut_hz is None
        """Whether the side chain is the step's own input, unfiltered."""
        self.n_channels = stream.key_channels[key] if key is not None else stream.n_channels
        self._filter: Cascade | None = None
        self._line: DelayLine | None = None
        if low_cut_hz is not None or high_cut_hz is not None:
            import numpy as np

            from chainrun.dsp.biquad import butterworth
            from chainrun.dsp.cascade import Cascade

            cuts = [(low_cut_hz, True), (high_cut_hz, False)]
            sections = [butterworth(2, hz, stream.rate_hz, high=high) for hz, high in cuts if hz is not None]
            self._filter = Cascade(np.concatenate(sections))
            self._state = self._filter.start_state(self.n_channels)

    def signal(self, x: Array, keys: Keys) -> Array:
        """Next block of the side chain, shape (n_channels, n_frames)."""
        sidechain = x if self.key is None else keys[self.key]
        if self._filter is not None:
            sidechain, self._state = self._filter.run(sidechain, self._state)
        return sidechain

    def as_output(self, sidechain: Array, n_channels: int, latency_frames: int) -> Array:
        """Side chain in time with the step's output, and with the same number of channels."""
        import numpy as np

        from chainrun.dsp.delay_line import DelayLine

        if self._line is None:
            self._line = DelayLine(sidechain.shape[0], latency_frames)
        sidechain = self._line.run(sidechain)
        if sidechain.shape[0] == n_channels:
            return sidechain.copy()
        if sidechain.shape[0] == 1:
            return np.repeat(sidechain, n_channels, axis=0)
        mean: Array = sidechain.mean(axis=0, keepdims=True)
        return mean
