"""declip: restore short runs of clipped samples."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Runner, Step, Stream, processor

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Declip(Step):
    """Restore short runs of clipped samples from the sound around them (autoregressive interpolation).

    Samples at or above threshold_dbfs count as clipped. Runs up to max_run_ms are restored; longer ones stay, and so
    do runs that the start or the end of the sound cuts, since one side of them is not known. Restored peaks can
    exceed full scale: put a gain step after it. Whole clipped waves cannot be restored, and what is restored is an
    estimate: compare before and after.
    """

    do: Literal["declip"] = "declip"
    threshold_dbfs: float = Field(-0.01, ge=-40, le=0, description="samples at or above it count as clipped")
    max_over_threshold_db: float = Field(
        6.0, ge=0, le=12, description="maximum level of restored peaks above the threshold"
    )
    max_run_ms: float = Field(1.5, ge=0.05, le=4, description="maximum length of a run that is restored")

    example = {"threshold_dbfs": -0.1}
    ns_a_frame = 300.0
    source = "Janssen, Veldhuis, Vries, IEEE Trans. ASSP 34(2), 1986"

    def start(self, stream: Stream) -> Runner:
        return _DeclipRunner(self, stream)


class _DeclipRunner(Runner):
    """Works in hops on the session's own time, so that the size of the blocks makes no difference."""

    def __init__(self, step: Declip, stream: Stream):
        import numpy as np

        from chainrun.dsp.declip import CONTEXT
        from chainrun.units import db_to_gain, ms_to_frames

        self.n_channels_out = stream.n_channels
        self._limit = db_to_gain(step.threshold_dbfs) * (1.0 - 1e-9)
        self._max_ratio = db_to_gain(step.max_over_threshold_db)
        self._longest = max(1, ms_to_frames(step.max_run_ms, stream.rate_hz))
        self._margin = CONTEXT
        self._hop = 1024
        self.latency_frames = self._hop + self._margin
        self.tail_frames = 0
        # Raw frames: `margin` before the hop that is next, then what has come since.
        self._raw = np.zeros((stream.n_channels, self._margin))
        self._ready = np.zeros((stream.n_channels, self.latency_frames))

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        self._raw = np.concatenate([self._raw, x], axis=1)
        made = []
        while self._raw.shape[1] >= self._hop + 2 * self._margin:
            window = self._raw[:, : self._hop + 2 * self._margin]
            made.append(np.stack([self._mend(row) for row in window]))
            self._raw = self._raw[:, self._hop :]
        self._ready = np.concatenate([self._ready, *made], axis=1)
        out, self._ready = self._ready[:, : x.shape[1]], self._ready[:, x.shape[1] :]
        return np.ascontiguousarray(out)

    def _mend(self, window: Array) -> Array:
        """The hop inside a window that has a context on either side, with its short clipped runs restored."""
        import numpy as np

        from chainrun.dsp.declip import STAGES, interpolate, short_runs, sounding

        begin, end = self._margin, self._margin + self._hop
        clipped = np.abs(window) >= self._limit
        mended = window.copy()
        inside = sounding(window)
        if clipped[begin:end].any() and inside.stop - inside.start > 2 * STAGES[-1][0]:
            part = window[inside]
            mended[inside] = interpolate(part, short_runs(clipped[inside], self._longest), self._max_ratio)
        return mended[begin:end]
