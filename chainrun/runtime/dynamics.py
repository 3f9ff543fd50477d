"""What the runners of dynamics steps share: the key, the lookahead, the detectors of a link, the readings."""

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
    """Hears the key or the input, hands both on to `shape`, and puts out what that made (or what it heard)."""

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
        """The output for the delayed input `late` and what is heard; may change `late`, which is the step's own."""
        raise NotImplementedError

    def listened(self, sidechain: Array) -> Array:
        """What `listen` puts out of what is heard."""
        return sidechain

    def run(self, x: Array, keys: Keys) -> Array:
        """The next block of output, or of what the step listens to where `listen` asks for that."""
        if x.shape[1] == 0:
            return x.copy()
        sidechain = self._sidechain_filter.signal(x, keys)
        late = self._line.run(x)
        y = self.shape(late.copy() if late is x else late, sidechain)
        if self._listen:
            return self._sidechain_filter.as_output(self.listened(sidechain), self.n_channels_out, self.latency_frames)
        return y

    def levels(self, sidechain: Array) -> Array:
        """The magnitude that each detector sees, shape (n_detectors, n_frames)."""
        from chainrun.dsp.level import linked_level

        return linked_level(sidechain, self._link)

    def channels_of(self, detector: int) -> slice:
        """The channels that a detector's gain acts on."""
        return slice(detector, detector + 1) if self.n_detectors > 1 else slice(None)

    def readings(self) -> list[Reading]:
        """The one curve of its gain reduction."""
        return [self.recorder.reading(self._do)]
