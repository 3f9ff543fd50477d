"""compressor: reduce the difference between loud and quiet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field, model_validator

from chainrun.contract import Runner, Stream, Thresholded, processor
from chainrun.contract.misuse import misuse
from chainrun.problem_codes import Code
from chainrun.runtime import DynamicsRunner

if TYPE_CHECKING:
    from typing import Self

    from chainrun.dsp.arrays import Array
    from chainrun.dsp.compression import Ballistics

MAX_UPWARD_DB = 12.0


@processor
class Compressor(Thresholded):
    """Reduce levels above the threshold by the ratio, or (upward) raise levels below it.

    Feed-forward in the log domain: the level of every frame goes through the static curve, and the resulting reduction
    is smoothed with the attack while it grows and with the release while it shrinks. `detect = "peak"` uses every
    frame's own level (upward: the held peak), "rms" the running mean square.

    With auto_release the crest factor of the programme shortens the release: a steady tone releases in about
    release_ms, hits much faster. With release_shape = "two_stage" a part of the reduction releases with
    release_slow_ms: the return starts fast and ends slowly.
    """

    do: Literal["compressor"] = "compressor"
    direction: Literal["down", "up"] = Field("down", description="reduce above the threshold, or raise below it")
    ratio: float = Field(4.0, ge=1, le=1000, description="dB of input for each dB of output, beyond the threshold")
    knee_db: float = Field(6.0, ge=0, le=60, description="width of the soft knee around the threshold")
    attack_ms: float = Field(10.0, ge=0, le=1000, description="time constant while the level rises (63.2 %)")
    release_ms: float = Field(100.0, ge=0.1, le=10000, description="time constant while the level falls")
    auto_release: bool = Field(
        False, description="the crest factor sets the release time: at most release_ms, shorter for hits"
    )
    release_shape: Literal["one_stage", "two_stage"] = Field(
        "one_stage", description="two_stage: a share of the reduction has a second time constant"
    )
    release_slow_ms: float = Field(900.0, ge=1, le=20000, description="time constant of the second stage")
    release_slow_pct: float = Field(40.0, ge=0, le=100, description="share of the second stage in the reduction")
    smoothing: Literal["branching", "decoupled"] = Field(
        "branching",
        description="branching: attack or release; decoupled: release, then smoothed by the attack (ends later)",
    )
    detect: Literal["peak", "rms"] = Field("peak", description="level of each frame, or running mean square")
    window_ms: float = Field(10.0, ge=0.01, le=500, description="time constant of the mean (upward: of the held peak)")
    range_db: float | None = Field(
        None,
        ge=0,
        le=120,
        description="maximum reduction (default: no limit) or, upward, maximum gain (default: 12 dB)",
    )
    makeup: Literal["fixed", "auto"] = Field(
        "fixed",
        description="fixed: makeup_db; auto: half of the reduction at 0 dBFS (with threshold_below_hits_db: of a hit)",
    )
    makeup_db: float = Field(0.0, ge=-40, le=40, description="make-up gain, after the reduction")
    lookahead_ms: float = Field(
        0.0, ge=0, le=50, description="starts the reduction this much before the peak; the latency is compensated"
    )
    stereo_link_pct: float = Field(
        100.0, ge=0, le=100, description="0: each channel has its own gain; 100: one gain for all, set by the loudest"
    )

    example = {"threshold_dbfs": -20.0, "ratio": 3.0, "attack_ms": 8.0, "release_ms": 80.0}
    acts = True
    unity = {"threshold_dbfs": -20.0, "ratio": 1.0}
    source = "Giannoulis, Massberg, Reiss, JAES 60(6), 2012; auto_release: JAES 61(10), 2013"

    @model_validator(mode="after")
    def _goes_together(self) -> Self:
        plain = self.release_shape == "one_stage" and self.smoothing == "branching" and self.direction == "down"
        if self.auto_release and not plain:
            raise misuse(
                Code.KEYS_CLASH,
                'auto_release needs release_shape = "one_stage", smoothing = "branching" and direction = "down"',
            )
        if self.direction == "up" and (self.release_shape == "two_stage" or self.smoothing == "decoupled"):
            raise misuse(
                Code.KEYS_CLASH, 'direction = "up" needs release_shape = "one_stage" and smoothing = "branching"'
            )
        if self.makeup == "auto" and self.direction == "up":
            raise misuse(Code.KEYS_CLASH, 'makeup = "auto" needs direction = "down"')
        if self.makeup == "auto" and self.makeup_db != 0.0:
            raise misuse(Code.KEYS_CLASH, 'makeup_db needs makeup = "fixed"')
        return self

    def makeup_gain_db(self, threshold_dbfs: float) -> float:
        """Make-up gain in dB: fixed, or the inverse of the published estimate T (1/R - 1) / 2 of the average gain.

        The reduction at 0 dBFS comes from the static curve, knee included. With a threshold below the hits, the level
        of a hit replaces 0 dBFS, so that the gain follows the hits, too.
        """
        if self.makeup == "fixed":
            return self.makeup_db
        below = self.threshold_below_hits_db if self.threshold_below_hits_db is not None else -threshold_dbfs
        inside = min(max(below + self.knee_db / 2.0, 0.0), self.knee_db)  # of the knee, from its lower end
        over = inside**2 / (2.0 * self.knee_db) if self.knee_db > 0.0 else 0.0
        over += max(0.0, below - self.knee_db / 2.0)
        lost = over * (1.0 - 1.0 / self.ratio)
        return min(lost, self.range_db if self.range_db is not None else lost) / 2.0

    def ballistics(self) -> Ballistics:
        """Attack and release of the reduction."""
        from chainrun.dsp.compression import Ballistics

        two = self.release_shape == "two_stage"
        return Ballistics(
            self.attack_ms,
            self.release_ms,
            self.smoothing == "decoupled",
            self.release_slow_pct / 100.0 if two else 0.0,
            self.release_slow_ms,
            self.auto_release,
        )

    def in_words(self) -> str:
        if self.direction == "up":
            return f"below {self.threshold_in_words()}: {self.ratio:g}:1 upward compression"
        makeup = f", make-up gain {self.makeup_db:+g} dB" if self.makeup_db else ""
        return (
            f"above {self.threshold_in_words()}: {self.ratio:g}:1 compression, "
            f"attack {self.attack_ms:g} ms, release {self.release_ms:g} ms{makeup}"
        )

    def start(self, stream: Stream) -> Runner:
        return _UpwardRunner(self, stream) if self.direction == "up" else _DownwardRunner(self, stream)


class _CompressorRunner(DynamicsRunner):
    """Common part of both directions: the make-up gain, and the gain from the reduction."""

    def __init__(self, step: Compressor, stream: Stream):
        from chainrun.units import LOG2_PER_DB

        super().__init__(step, stream, step.lookahead_ms, step.stereo_link_pct)
        self._makeup = step.makeup_gain_db(step.threshold(stream)) * LOG2_PER_DB

    def _larger(self, one: Array, other: Array) -> Array:
        """Larger of two detectors' reductions at each frame."""
        import numpy as np

        return np.maximum(one, other)

    def _reduction(self, i: int, magnitude: Array) -> Array | None:
        """Reduction of detector i in log2 units (upward: negative); None if it is zero in the whole block."""
        raise NotImplementedError

    def shape(self, late: Array, sidechain: Array) -> Array:
        import numpy as np

        largest: Array | None = None
        for i, row in enumerate(self.levels(sidechain)):
            reduction = self._reduction(i, row)
            if reduction is not None:
                largest = reduction if largest is None else self._larger(largest, reduction)
                gain = np.subtract(self._makeup, reduction)
                late[self.channels_of(i)] *= np.exp2(gain, out=gain)
            elif self._makeup:
                late[self.channels_of(i)] *= 2.0**self._makeup
        self.recorder.count(largest, late.shape[1])
        return late


class _DownwardRunner(_CompressorRunner):
    def __init__(self, step: Compressor, stream: Stream):
        from chainrun.dsp.compression import SideChain, SideState
        from chainrun.dsp.gain_computer import DownwardCurve
        from chainrun.dsp.level import LevelDetector

        super().__init__(step, stream)
        max_db = step.range_db if step.range_db is not None else float("inf")
        curve = DownwardCurve(step.threshold(stream), step.ratio, step.knee_db, max_db)
        self._chain = SideChain(curve, step.ballistics(), stream.rate_hz, stream.scratch())
        self._mean = (
            LevelDetector("rms", step.window_ms, stream.rate_hz, stream.scratch()) if step.detect == "rms" else None
        )
        self._states = [SideState()] * self.n_detectors
        self._means = [0.0] * self.n_detectors

    def _reduction(self, i: int, magnitude: Array) -> Array | None:
        if self._mean is not None:
            magnitude, self._means[i] = self._mean.run(magnitude, self._means[i])
        reduction, self._states[i] = self._chain.run(magnitude, self._states[i])
        return reduction


class _UpwardRunner(_CompressorRunner):
    def __init__(self, step: Compressor, stream: Stream):
        from chainrun.dsp.ballistics import Branching, time_constant
        from chainrun.dsp.gain_computer import BelowCurve
        from chainrun.dsp.level import LevelDetector

        super().__init__(step, stream)
        rate = stream.rate_hz
        max_db = step.range_db if step.range_db is not None else MAX_UPWARD_DB
        self._curve = BelowCurve(step.threshold(stream), 1.0 - 1.0 / step.ratio, step.knee_db, max_db)
        self._level = LevelDetector(step.detect, step.window_ms, rate, stream.scratch())
        # The boost grows while the level falls, so it grows with the release.
        self._smoother = Branching(
            time_constant(step.release_ms, rate), time_constant(step.attack_ms, rate), stream.scratch()
        )
        self._levels = [0.0] * self.n_detectors
        self._boosts = [0.0] * self.n_detectors

    def _larger(self, one: Array, other: Array) -> Array:
        import numpy as np

        return np.minimum(one, other)

    def _reduction(self, i: int, magnitude: Array) -> Array | None:
        import numpy as np

        level, self._levels[i] = self._level.run(magnitude, self._levels[i])
        boost = self._smoother.run(self._curve.change(np.maximum(level, 1e-30)), self._boosts[i])
        self._boosts[i] = float(boost[-1])
        return np.negative(boost, out=boost)
