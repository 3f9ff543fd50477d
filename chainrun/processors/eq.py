"""eq: equaliser of second-order bands in one cascade."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, model_validator

from chainrun.contract import Keys, Misfit, Runner, Step, Stream, StrictModel, processor
from chainrun.contract.misfit import too_high
from chainrun.contract.misuse import misuse
from chainrun.contract.words import hertz
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from typing import Self

    from chainrun.dsp.arrays import Array

SHELF_Q = 0.7071
MIN_WIDTH_HZ = 3.0
"""A linear-phase bell of this width and 12 dB is within 0.1 dB; narrower ones would need an FIR of many seconds."""
MIN_NOTCH_WIDTH_HZ = 5.0
Slope = Literal[6, 12, 18, 24, 30, 36, 42, 48, 54, 60, 66, 72, 78, 84, 90, 96]
Channel = Literal["both", "left", "right", "mid", "side"]


class _Band(StrictModel):
    freq_hz: float = Field(ge=10, le=40000, description="centre, corner or cut-off frequency of the band")
    acts_on: Channel = Field("both", description="both sides, one of them, or mid or side of a stereo signal")
    bypass: bool = Field(False, description="leave the band out")
    note: str | None = Field(None, description="free text")

    def in_words(self) -> str:
        """Kind, frequency and gain of the band: `bell 210 Hz +3 dB`, `low cut 80 Hz`."""
        word = str(getattr(self, "kind", "")).replace("_", " ")
        gain = getattr(self, "gain_db", None)
        return f"{word} {hertz(self.freq_hz)}" + (f" {gain:+g} dB" if gain is not None else "")

    def sections(self, rate_hz: int, design: str) -> Array:
        """The band's second-order sections, shape (n, 6)."""
        raise NotImplementedError

    def max_q(self) -> float | None:
        """Maximum q that a linear-phase FIR can follow at this frequency; None: any."""
        return None


class _Shaped(_Band):
    """Band with an analog shape to follow: bell or shelf."""

    gain_db: float = Field(
        ge=-30, le=30, description="gain at freq_hz; for a shelf: gain beyond it (at freq_hz half as many dB)"
    )

    def shape(self) -> tuple[str, float]:
        """Kind of the prototype, and its q."""
        raise NotImplementedError

    def sections(self, rate_hz: int, design: str) -> Array:
        from chainrun.dsp import biquad
        from chainrun.dsp.matched import matched

        kind, q = self.shape()
        if design == "matched":
            return matched(kind, self.freq_hz, self.gain_db, q, rate_hz)
        bilinear = {"bell": biquad.bell, "low_shelf": biquad.low_shelf, "high_shelf": biquad.high_shelf}
        return bilinear[kind](self.freq_hz, self.gain_db, q, rate_hz)[None, :]


class Bell(_Shaped):
    """Raises or lowers a region around freq_hz."""

    kind: Literal["bell"]
    q: float = Field(1.0, ge=0.1, le=60, description="freq_hz divided by the bandwidth at half the gain in dB")

    def max_q(self) -> float:
        """Maximum q, lower above 12 dB: the poles (a cut's zeros) are narrower than the bell by the gain's root."""
        return float(self.freq_hz / MIN_WIDTH_HZ * min(1.0, 10.0 ** ((12.0 - abs(self.gain_db)) / 40.0)))

    def shape(self) -> tuple[str, float]:
        return "bell", self.q


class _Shelf(_Shaped):
    q: float | None = Field(None, ge=0.1, le=5, description="steepness; the default, 0.71, has no overshoot")
    steepness_pct: float | None = Field(
        None, ge=10, le=100, description="steepness in per cent of the steepest shelf without overshoot"
    )

    @model_validator(mode="after")
    def _one_steepness(self) -> Self:
        if self.q is not None and self.steepness_pct is not None:
            raise misuse(Code.KEYS_CLASH, "give q or steepness_pct, not both")
        return self

    def steepness(self) -> float:
        """The q; from a steepness S as in the Cookbook: 1/q = sqrt((A + 1/A) (1/S - 1) + 2)."""
        if self.steepness_pct is None:
            return self.q if self.q is not None else SHELF_Q
        a = 10.0 ** (self.gain_db / 40.0)
        return float(1.0 / ((a + 1.0 / a) * (100.0 / self.steepness_pct - 1.0) + 2.0) ** 0.5)


class LowShelf(_Shelf):
    """Raises or lowers everything below freq_hz."""

    kind: Literal["low_shelf"]

    def shape(self) -> tuple[str, float]:
        return "low_shelf", self.steepness()


class HighShelf(_Shelf):
    """Raises or lowers everything above freq_hz."""

    kind: Literal["high_shelf"]

    def shape(self) -> tuple[str, float]:
        return "high_shelf", self.steepness()


class Tilt(_Band):
    """Raises the highs by half of gain_db and lowers the lows by the same amount, in one gentle tilt around freq_hz."""

    kind: Literal["tilt"]
    gain_db: float = Field(ge=-24, le=24, description="difference between highs and lows")

    def sections(self, rate_hz: int, design: str) -> Array:
        from chainrun.dsp import biquad

        return biquad.tilt(self.freq_hz, self.gain_db, rate_hz)[None, :]


class LowCut(_Band):
    """Cuts below freq_hz, where it is 3 dB down (Butterworth)."""

    kind: Literal["low_cut"]
    slope_db_per_octave: Slope = Field(12, description="steepness")

    def sections(self, rate_hz: int, design: str) -> Array:
        from chainrun.dsp import biquad

        return biquad.butterworth(self.slope_db_per_octave // 6, self.freq_hz, rate_hz, high=True)


class HighCut(_Band):
    """Cuts above freq_hz, where it is 3 dB down (Butterworth)."""

    kind: Literal["high_cut"]
    slope_db_per_octave: Slope = Field(12, description="steepness")

    def sections(self, rate_hz: int, design: str) -> Array:
        from chainrun.dsp import biquad

        return biquad.butterworth(self.slope_db_per_octave // 6, self.freq_hz, rate_hz, high=False)


class Notch(_Band):
    """Removes freq_hz."""

    kind: Literal["notch"]
    q: float = Field(10.0, ge=0.1, le=200, description="freq_hz divided by the bandwidth at -3 dB")

    def max_q(self) -> float:
        return self.freq_hz / MIN_NOTCH_WIDTH_HZ

    def sections(self, rate_hz: int, design: str) -> Array:
        from chainrun.dsp import biquad

        return biquad.notch_of_width(self.freq_hz, self.q, rate_hz)[None, :]


class BandPass(_Band):
    """Keeps a region around freq_hz, with 0 dB there."""

    kind: Literal["band_pass"]
    q: float = Field(1.0, ge=0.1, le=60, description="freq_hz divided by the bandwidth at -3 dB")

    def max_q(self) -> float:
        return self.freq_hz / MIN_WIDTH_HZ

    def sections(self, rate_hz: int, design: str) -> Array:
        from chainrun.dsp import biquad

        return biquad.band_pass_of_width(self.freq_hz, self.q, rate_hz)[None, :]


class AllPass(_Band):
    """Turns the phase by 180 degrees at freq_hz, and leaves the level unchanged."""

    kind: Literal["all_pass"]
    q: float = Field(0.7071, ge=0.1, le=60, description="how steeply the phase turns around freq_hz")

    def sections(self, rate_hz: int, design: str) -> Array:
        from chainrun.dsp import biquad

        return biquad.all_pass(self.freq_hz, self.q, rate_hz)[None, :]


Band = Annotated[
    Bell | LowShelf | HighShelf | Tilt | LowCut | HighCut | Notch | BandPass | AllPass,
    Field(discriminator="kind"),
]


@processor
class Eq(Step):
    """Equalise: bell, shelf, tilt, cut, notch, band-pass and all-pass bands, in one cascade of second-order sections.

    Bells and shelves follow their analog shape to the top octave (`design = "matched"`: up to 16 kHz and 12 dB within
    0.02 dB to 0.9 of the Nyquist frequency); "bilinear" is the Cookbook's design, which is squeezed towards the top, as
    tilt and cuts are with either. With `phase = "linear"` the whole step is one symmetric FIR: the phase does not turn,
    but half of its ringing comes before the hit. Its latency, which is compensated, is half its length (85 ms; up to
    1.4 s for bands that are narrow or steep at low frequencies) and a block of its convolution: 0.24 to 0.27 s in total
    for wide bands, 0.5 s for a bell of 15 Hz width, 1 s for one of 5 Hz. It refuses all-pass bands, which only turn the
    phase, and bands narrower than such an FIR can follow (freq_hz / q below 3 Hz; a notch below 5 Hz, whose centre is
    exact and whose skirts are up to 4 dB off below -10 dB). Notch and band_pass are freq_hz / q wide at -3 dB at any
    frequency.
    """

    do: Literal["eq"] = "eq"
    bands: list[Band] = Field(min_length=1, max_length=32, description="the bands, in order")
    design: Literal["matched", "bilinear"] = Field("matched", description="digital design of bells and shelves")
    phase: Literal["minimum", "linear"] = Field(
        "minimum", description="linear: a symmetric FIR; its latency is compensated"
    )

    example = {
        "bands": [
            {"kind": "low_cut", "freq_hz": 60, "slope_db_per_octave": 24},
            {"kind": "bell", "freq_hz": 400, "gain_db": -4.0, "q": 1.4},
            {"kind": "high_shelf", "freq_hz": 8000, "gain_db": 2.5},
        ]
    }
    unity = {"bands": [{"kind": "bell", "freq_hz": 1000, "gain_db": 0.0}]}
    linear = True
    source = "W3C Audio EQ Cookbook, 8 June 2021; poles by M. Vicanek, 2016; Butterworth cuts"

    @model_validator(mode="after")
    def _linear_phase_turns_none(self) -> Self:
        if self.phase == "linear" and any(band.kind == "all_pass" and not band.bypass for band in self.bands):
            message = 'an all_pass band does nothing with phase = "linear"; leave it out, or set its bypass'
            raise misuse(Code.KEYS_CLASH, message)
        return self

    def changes_nothing(self) -> bool:
        """Whether no band changes anything: each is bypassed or has 0 dB."""
        return self.mix_pct == 0.0 or all(band.bypass or getattr(band, "gain_db", None) == 0.0 for band in self.bands)

    def _too_narrow(self) -> list[Misfit]:
        """Bands that a linear-phase FIR of 1.4 s cannot follow."""
        found = []
        for i, band in enumerate(self.bands):
            allowed, q = band.max_q(), getattr(band, "q", None)
            if self.phase == "linear" and not band.bypass and allowed is not None and q is not None and q > allowed:
                wrong = f"too narrow at {band.freq_hz:g} Hz for a linear-phase FIR of 1.4 s"
                within = f'up to {allowed:.4g} there, or phase = "minimum"'
                found.append(Misfit(f"bands.{i}.q", wrong, f"{q:g}", within, code=Code.BAND_TOO_NARROW))
        return found

    picture = "response"

    def in_words(self) -> str:
        return ", ".join(band.in_words() for band in self.bands if not band.bypass) or "all bands bypassed"

    def parts(self) -> list[Step]:
        living = [band for band in self.bands if not band.bypass]
        return [self.model_copy(update={"bands": [band]}) for band in living] if len(living) > 1 else []

    def start(self, stream: Stream) -> Runner:
        stages = self._stages(stream)
        if self.phase == "linear":
            return _LinearPhaseRunner(stream, stages, [band.freq_hz for band in self.bands if not band.bypass])
        return _EqRunner(stream.n_channels, stages)

    def _stages(self, stream: Stream) -> list[tuple[bool, list[Array | None]]]:
        """Consecutive bands that act on the same pair of signals: (mid and side?, sections for each channel)."""
        import numpy as np

        stages: list[tuple[bool, list[list[Array]]]] = []
        for band in self.bands:
            if band.bypass:
                continue
            by_mid = band.acts_on in ("mid", "side")
            if not stages or (band.acts_on != "both" and stages[-1][0] != by_mid):
                stages.append((by_mid, [[] for _ in range(stream.n_channels)]))
            sections = band.sections(stream.rate_hz, self.design)
            for channel, chosen in enumerate(stages[-1][1]):
                if band.acts_on == "both" or channel == (band.acts_on in ("right", "side")):
                    chosen.append(sections)
        return [(by_mid, [np.concatenate(s) if s else None for s in channels]) for by_mid, channels in stages]

    def misfits(self, stream: Stream) -> list[Misfit]:
        found = [
            misfit
            for i, band in enumerate(self.bands)
            for misfit in too_high(f"bands.{i}.freq_hz", band.freq_hz, stream)
        ]
        for i, band in enumerate(self.bands):
            if band.acts_on != "both" and stream.n_channels != 2:
                key, message = f"bands.{i}.acts_on", "needs a stereo signal, but the signal here is mono"
                found.append(Misfit(key, message, band.acts_on, '"both"', code=Code.NO_SUCH_CHANNEL))
        return found + self._too_narrow()


class _EqRunner(Runner):
    def __init__(self, n_channels: int, stages: list[tuple[bool, list[Array | None]]]):
        from chainrun.dsp.cascade import Cascade

        self.n_channels_out = n_channels
        self._stages: list[tuple[bool, list[Cascade | None]]] = []
        for by_mid, channels in stages:
            same = all(one is channels[0] or _equal(one, channels[0]) for one in channels)
            first = Cascade(channels[0]) if channels[0] is not None else None
            kernels = [first] if same else [Cascade(one) if one is not None else None for one in channels]
            self._stages.append((by_mid, kernels))
        self._states = [
            [k.start_state(n_channels if len(kernels) == 1 else 1) if k is not None else None for k in kernels]
            for _, kernels in self._stages
        ]
        self.tail_frames = sum(
            max((k.tail_frames() for k in kernels if k is not None), default=0) for _, kernels in self._stages
        )

    def run(self, x: Array, keys: Keys) -> Array:
        import numpy as np

        y = x if self._stages else x.copy()
        for stage, (by_mid, kernels) in enumerate(self._stages):
            if by_mid:
                y = np.stack([y[0] + y[1], y[0] - y[1]]) * 0.5
            parts = [y] if len(kernels) == 1 else [y[i : i + 1] for i in range(len(kernels))]
            made = []
            for i, (kernel, part) in enumerate(zip(kernels, parts, strict=True)):
                state = self._states[stage][i]
                if kernel is None or state is None:
                    made.append(part)
                    continue
                out, self._states[stage][i] = kernel.run(part, state)
                made.append(out)
            y = made[0] if len(made) == 1 else np.concatenate(made)
            if by_mid:
                y = np.stack([y[0] + y[1], y[0] - y[1]])
        return y.copy() if y is x else y


def _equal(one: Array | None, other: Array | None) -> bool:
    if one is None or other is None:
        return one is other
    return one.shape == other.shape and bool((one == other).all())


class _LinearPhaseRunner(Runner):
    """Runs the product of the stages' magnitudes as one matrix of symmetric FIRs."""

    def __init__(self, stream: Stream, stages: list[tuple[bool, list[Array | None]]], centres_hz: list[float]):
        import numpy as np

        from chainrun.dsp.linear_phase import LinearPhase, grid_size

        n, rate = stream.n_channels, stream.rate_hz
        self.n_channels_out = n
        grid: Array = np.linspace(0.0, rate / 2.0, grid_size(rate) // 2 + 1)
        centres: Array = np.unique(centres_hz)
        wanted, at_centres = _magnitudes(stages, n, rate, grid), _magnitudes(stages, n, rate, centres)
        self._fir = LinearPhase(wanted, rate, (centres, at_centres))
        self.latency_frames = self._fir.latency_frames
        self.tail_frames = self._fir.half_frames

    def run(self, x: Array, keys: Keys) -> Array:
        return self._fir.run(x)


def _magnitudes(stages: list[tuple[bool, list[Array | None]]], n_channels: int, rate_hz: int, freqs: Array) -> Array:
    """Responses from each input to each output, without phase, shape (n_channels, n_channels, n_freqs)."""
    import numpy as np

    from chainrun.dsp.biquad import response

    matrix = np.zeros((n_channels, n_channels, freqs.size))
    matrix[range(n_channels), range(n_channels)] = 1.0
    for by_mid, channels in stages:
        gains = [np.abs(response(one, freqs, rate_hz)) if one is not None else np.ones(freqs.size) for one in channels]
        if by_mid:
            own, other = (gains[0] + gains[1]) / 2.0, (gains[0] - gains[1]) / 2.0
            matrix = np.stack([own * matrix[0] + other * matrix[1], other * matrix[0] + own * matrix[1]])
        else:
            matrix = np.stack([gain * row for gain, row in zip(gains, matrix, strict=True)])
    return matrix
