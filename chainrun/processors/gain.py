"""gain: change the level."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from chainrun.contract import Keys, Runner, Step, Stream, processor

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array


@processor
class Gain(Step):
    """Scale every channel: y = x * 10**(gain_db / 20)."""

    do: Literal["gain"] = "gain"
    gain_db: float = Field(0.0, ge=-120, le=60, description="level change")

    example = {"gain_db": -3.5}
    unity = {"gain_db": 0.0}
    linear = True

    def in_words(self) -> str:
        return f"{abs(self.gain_db):g} dB {'louder' if self.gain_db >= 0 else 'quieter'}"

    def start(self, stream: Stream) -> Runner:
        from chainrun.units import db_to_gain

        return _GainRunner(stream.n_channels, db_to_gain(self.gain_db))


class _GainRunner(Runner):
    def __init__(self, n_channels: int, factor: float):
        self.n_channels_out = n_channels
        self._factor = factor

    def run(self, x: Array, keys: Keys) -> Array:
        return x * self._factor
