"""saturate: round or clip with a curve."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field, model_validator

from chainrun.contract import Keys, Misfit, Runner, Step, Stream, processor
from chainrun.contract.misfit import too_high
from chainrun.contract.misuse import misuse
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from typing import Self

    from chainrun.dsp.arrays import Array
    from chainrun.dsp.cascade import Cascade
    from chainrun.dsp.oversample import Oversampler

DC_CUT_HZ = 5.0
DEFAULT_BIAS_PCT = 20.0
REFERENCE_HZ = 1000.0
"""Frequency of the reference sine of keep_level."""
SETTLE_MS = 50


@processor
class Saturate(Step):
    """Drive the signal into a memoryless curve, y = curve(drive x), oversampled to keep aliases low.

    Curves: tanh; arctangent (2/pi) atan(pi x/2); cubic 1.5x - 0.5x^3, flat beyond 1; sine_fold sin(pi x/2), which
    turns back; hard_clip; biased_tanh tanh(x + bias) - tanh(bias), asymmetric, with its DC removed below 5 Hz.

    keep_level scales the output so that a reference sine (1 kHz, with a peak of reference_dbfs) keeps its RMS, also
    with tone_db. Without keep_level, the level rises by the drive until the curve bends. A tone_db above 0 drives the
    highs harder than the lows; the tilt is undone after the curve.

    The curve runs at 4 times the rate; arctangent, cubic and hard_clip need 8 times. At 48 kHz, a tone of at most 5 kHz
    that is driven 12 dB over full scale then has aliases at least 90 dB below it, over the whole band. To reach this,
    cubic and hard_clip also take the mean of the curve between neighbouring points (antiderivative antialiasing).
    Higher tones alias more (tanh: -99 dB at 6 kHz, -66 dB at 9650 Hz). The level is right within 0.05 dB up to 0.415 of
    the rate, and 6 dB down at 0.452.
    """

    do: Literal["saturate"] = "saturate"
    curve: Literal["tanh", "arctangent", "cubic", "sine_fold", "hard_clip", "biased_tanh"] = Field(
        "tanh", description="the formula"
    )
    drive_db: float = Field(6.0, ge=-24, le=48, description="gain before the curve")
    bias_pct: float | None = Field(
        None,
        ge=0,
        le=200,
        description="for biased_tanh: offset before the curve, in per cent of full scale; default 20",
    )
    keep_level: bool = Field(False, description="scale the output so that the reference sine keeps its RMS")
    reference_dbfs: float = Field(-12.0, ge=-60, le=0, description="peak of the reference sine of keep_level")
    makeup_db: float = Field(0.0, ge=-40, le=24, description="make-up gain, after the curve")
    tone_db: float = Field(0.0, ge=-18, le=18, description="tilt before the curve, undone after it")
    tone_hz: float = Field(900.0, ge=50, le=10000, description="middle of the tilt")
    oversample: Literal[1, 2, 4, 8] | None = Field(
        None, description="oversampling factor of the curve; default: what it needs for aliases of -90 dB"
    )

    ns_a_frame = 15.0
    example = {"curve": "tanh", "drive_db": 8.0, "keep_level": True}
    source = "curves: closed forms; tilt: first-order shelf; polyphase filters: Kaiser-windowed sinc"

    @model_validator(mode="after")
    def _bias_has_a_curve(self) -> Self:
        if self.bias_pct is not None and self.curve != "biased_tanh":
            raise misuse(Code.KEYS_CLASH, 'bias_pct needs curve = "biased_tanh"')
        return self

    picture = "curve"

    def in_words(self) -> str:
        level = ", level kept" if self.keep_level else ""
        return f"{self.curve.replace('_', ' ')} saturation, drive {self.drive_db:g} dB{level}"

    def oversampled(self) -> int:
        from chainrun.dsp.curves import DEFAULT_OVERSAMPLING

        return self.oversample or DEFAULT_OVERSAMPLING[self.curve]

    def start(self, stream: Stream) -> Runner:
        return _SaturateRunner(self, stream)

    def misfits(self, stream: Stream) -> list[Misfit]:
        return too_high("tone_hz", self.tone_hz, stream) if self.tone_db else []


class _SaturateRunner(Runner):
    def __init__(self, step: Saturate, stream: Stream):
        from chainrun.dsp.biquad import first_order, tilt
        from chainrun.dsp.cascade import Cascade
        from chainrun.dsp.curves import CORNERED, curve_of
        from chainrun.dsp.oversample import Oversampler
        from chainrun.units import db_to_gain

        n, rate = stream.n_channels, stream.rate_hz
        self.n_channels_out = n
        before = [tilt(step.tone_hz, step.tone_db, rate)] if step.tone_db else []
        after = [tilt(step.tone_hz, -step.tone_db, rate)] if step.tone_db else []
        curve, drive = (
            curve_of(step.curve, (DEFAULT_BIAS_PCT if step.bias_pct is None else step.bias_pct) / 100.0),
            db_to_gain(step.drive_db),
        )
        factor = step.oversampled()
        integral = CORNERED.get(step.curve) if factor > 1 else None
        level = db_to_gain(step.makeup_db)
        if step.keep_level:
            trial = Oversampler(factor, curve, drive, 1.0, scratch=stream.scratch(), antiderivative=integral)
            level *= _kept_level(trial, db_to_gain(step.reference_dbfs), before, after, rate)
        if step.curve == "biased_tanh":
            after.append(first_order(DC_CUT_HZ, rate, high=True))
        self._kernels = [
            Oversampler(factor, curve, drive, level, scratch=stream.scratch(), antiderivative=integral)
            for _ in range(n)
        ]
        self.latency_frames = self._kernels[0].latency_frames
        self.tail_frames = 2 * self.latency_frames
        self._before, self._before_state = _cascade(before, n)
        self._after, self._after_state = _cascade(after, n)
        for cascade in (self._before, self._after):
            if isinstance(cascade, Cascade):
                self.tail_frames += cascade.tail_frames()

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        if x.shape[1] == 0:
            return x.copy()
        if self._before is not None:
            x, self._before_state = self._before.run(x, self._before_state)
        y = np.stack([kernel.run(row) for kernel, row in zip(self._kernels, x, strict=True)])
        if self._after is not None:
            y, self._after_state = self._after.run(y, self._after_state)
        return y


def _kept_level(kernel: Oversampler, peak: float, before: list[Array], after: list[Array], rate_hz: int) -> float:
    """Gain that keeps the reference sine's RMS: the step runs on it, measured for a tenth of a second once it settled.

    `after` is without the DC cut, which settles slowly; the mean is subtracted here instead.
    """
    import numpy as np

    settle, n = SETTLE_MS * rate_hz // 1000, rate_hz // 10
    y = peak * np.sin(2 * np.pi * REFERENCE_HZ / rate_hz * np.arange(settle + n))
    rms = float(np.std(y[settle:]))
    for rows in (before, None, after):
        if rows is None:
            y = kernel.run(y)
            continue
        cascade, state = _cascade(rows, 1)
        if cascade is not None:
            y = cascade.run(y[None], state)[0][0]
    return rms / float(np.std(y[settle:]))


def _cascade(rows: list[Array], n_channels: int) -> tuple[Cascade | None, Array]:
    import numpy as np

    from chainrun.dsp.cascade import Cascade

    if not rows:
        return None, np.empty(0)
    cascade = Cascade(np.array(rows))
    return cascade, cascade.start_state(n_channels)
