"""convolve: the sound of a room or a box, from an impulse response file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Runner, Step, Stream, processor

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Convolve(Step):
    """Convolve with an impulse response file of 1, 2 or 4 channels (left-left, left-right, right-left, right-right).

    The wet signal alone comes out of the step, in stereo: mix_pct is the share of it. The response is converted to
    the working rate (its level stays, and the render reports it). What is below -90 dB at its end is cut, with
    trim_start also at its start. normalise = "energy" scales it so that the mean energy of its channels is 1, "peak"
    so that its largest sample is 1; wet_db comes after that.
    """

    do: Literal["convolve"] = "convolve"
    file: str = Field(
        min_length=1,
        max_length=1000,
        description="impulse response; the path is relative to the file that contains the step",
    )
    normalise: Literal["energy", "peak", "none"] = Field("energy", description="how the response is scaled")
    wet_db: float = Field(0.0, ge=-120, le=60, description="wet level")
    trim_start: bool = Field(False, description="cut the silence before the response")
    predelay_ms: float = Field(0.0, ge=0, le=500, description="delay of the response")
    max_length_s: float = Field(20.0, ge=0.01, le=30, description="maximum length of the file; a longer one is refused")

    example = {"file": "hall.wav", "wet_db": -6.0}
    linear = True
    wet_alone = True
    reads_file = True
    ns_a_frame = 70.0
    source = "uniformly partitioned overlap-save, textbook"

    def channels_out(self, n_channels: int) -> int:
        return 2

    def held_s(self, stream: Stream) -> float:
        return 1.0 + 16.0 * self.max_length_s

    def start_s(self, stream: Stream) -> float:
        return 1e-6 * self.max_length_s * stream.rate_hz

    def start(self, stream: Stream) -> Runner:
        from chainrun.dsp.impulse_response import paths, scaled, trimmed
        from chainrun.dsp.pan import pan_gains
        from chainrun.units import db_to_gain, ms_to_frames

        impulse_response, notes = self._read(stream.rate_hz)
        impulse_response = scaled(trimmed(impulse_response, start=self.trim_start), self.normalise)
        impulse_responses = paths(
            impulse_response * db_to_gain(self.wet_db), stream.n_channels, pan_gains(0.0, stream.pan_law_db)[0]
        )
        return _ConvolveRunner(impulse_responses, ms_to_frames(self.predelay_ms, stream.rate_hz), notes)

    def _read(self, rate_hz: int) -> tuple[Array, list[str]]:
        """Read the file at the working rate, shape (n_channels, n_frames), and notes on it."""
        from pathlib import Path

        from chainrun.audiofile import Reader
        from chainrun.dsp.resample import Resampler

        with Reader(Path(self.file)) as reader:
            x = reader.read(reader.n_frames)
            rate = reader.header.rate_hz
        name = Path(self.file).name
        if rate == rate_hz:
            return x, []
        # A response is a sum over frames: at twice the rate each frame weighs half as much.
        converted = Resampler(rate, rate_hz, x.shape[0]).run(x, last=True) * (rate / rate_hz)
        return converted, [f"the response {name} was converted from {rate} to {rate_hz} Hz"]


class _ConvolveRunner(Runner):
    n_channels_out = 2

    def __init__(self, impulse_responses: list[Array], predelay_frames: int, notes: list[str]):
        from chainrun.dsp.convolution import Convolver
        from chainrun.dsp.delay_line import DelayLine

        self._notes = notes
        self._convolvers = [Convolver(one) for one in impulse_responses]
        self._line = DelayLine(2, predelay_frames)
        self.latency_frames = self._convolvers[0].latency_frames
        self.tail_frames = impulse_responses[0].shape[1] + predelay_frames

    def run(self, x: Array, keys: Keys) -> Array:
        total = self._convolvers[0].run(x[0])
        for convolver, row in zip(self._convolvers[1:], x[1:], strict=True):
            total += convolver.run(row)
        return self._line.run(total).copy()

    def notes(self) -> list[str]:
        return self._notes
