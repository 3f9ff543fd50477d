"""Common runner of dynamics steps: side chain, lookahead, linked detectors, readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from chainrun.contract.keyed import Keyed
from chainrun.contract.readings import Reading
from chainrun.contract.runner import Keys, Runner, Stream
from chainrun.runtime.reduction import ReductionRecorder
from chainrun.runtime.sidechain import Sidechain

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


class DynamicsRunner(Runner):
    """Passes the delayed input and the side chain to `shape`, and outputs its result, or the side chain if `listen`."""

    def __init__(self, step: Keyed, stream: Stream, lookahead_ms: float, stereo_link_pct: float = 100.0):
        from chainrun.dsp.delay_line import DelayLine
        from chainrun.units import ms_to_frames

        self._do = step.do
        self._listen = step.listen
        self._sidechain_filter = Sidechain(step, stream)
        self.n_channels_out = stream.n_channels
        self.latency_frames = ms_to_frames(lookahead_ms, stream.rate_hz)
        self.n_detectors = stream.detectors(self._sidechain_filter.n_channels, stereo_link_pct)
        self._link = stereo_link_pct if self.n_detectors > 1 else 100.0
        self._line = DelayLine(stream.n_channels, self.latency_frames)
        self.recorder = ReductionRecorder(stream, self.latency_frames)

    def shape(self, late: Array, sidechain: Array) -> Array:
        """Output for the delayed input `late` and the side chain, shapes (n_channels, n_frames); may change `late`."""
        raise NotImplementedError

    def listened(self, sidechain: Array) -> Array:
        """Signal that `listen` outputs: the side chain, unless a step overrides this."""
        return sidechain

    def run(self, x: Array, keys: Keys) -> Array:
        """Process the next block; returns the output, or the side chain if `listen`."""
        if x.shape[1] == 0:
            return x.copy()
        sidechain = self._sidechain_filter.signal(x, keys)
        late = self._line.run(x)
        y = self.shape(late.copy() if late is x else late, sidechain)
        if self._listen:
            return self._sidechain_filter.as_output(self.listened(sidechain), self.n_channels_out, self.latency_frames)
        return y

    def levels(self, sidechain: Array) -> Array:
        """Magnitude at each detector, shape (n_detectors, n_frames)."""
        from chainrun.dsp.level import linked_level

        return linked_level(sidechain, self._link)

    def channels_of(self, detector: int) -> slice:
        """Channels to which a detector's gain applies."""
        return slice(detector, detector + 1) if self.n_detectors > 1 else slice(None)

    def readings(self) -> list[Reading]:
        """Its gain reduction, as a list of one reading."""
        return [self.recorder.reading(self._do)]
