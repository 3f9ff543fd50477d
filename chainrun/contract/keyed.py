"""What dynamics steps share in their declaration: a key with its filters, and a threshold that can travel."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field, model_validator

from chainrun.contract.key import Key
from chainrun.contract.misfit import Misfit, too_high
from chainrun.contract.misuse import misuse
from chainrun.contract.model import StrictModel
from chainrun.contract.runner import Stream
from chainrun.contract.step import Step
from chainrun.contract.words import hertz
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from typing import Self


class Keyed(Step):
    """A step that may listen to other stems or buses, through a low and a high cut."""

    key: Key | None = Field(None, description="listen to these stems or buses in place of the own input")
    key_low_cut_hz: float | None = Field(
        None, ge=10, le=20000, description="cut below this in what the step listens to, 12 dB/octave"
    )
    key_high_cut_hz: float | None = Field(
        None, ge=10, le=20000, description="cut above this in what the step listens to, 12 dB/octave"
    )
    listen: bool = Field(False, description="put out what the step listens to, for setting it up")

    def listens_to(self) -> tuple[Key, ...]:
        """Its key, where it has one and is not bypassed."""
        return (self.key,) if self.key is not None and not self.bypass else ()

    def hit_level(self, stream: Stream) -> float | None:
        """Usual peak of a hit in what the step listens to, in dBFS, if the recipe tells it."""
        return stream.hit_level_dbfs if self.key is None else stream.key_hit_levels.get(self.key)

    def channels_out(self, n_channels: int) -> int:
        """As many as come in."""
        return n_channels

    def misfits(self, stream: Stream) -> list[Misfit]:
        """Cuts of the side-chain that the rate cannot hold, beside what misfits any step."""
        found = super().misfits(stream)
        for name in ("key_low_cut_hz", "key_high_cut_hz"):
            freq_hz = getattr(self, name)
            if freq_hz is not None:
                found += too_high(name, freq_hz, stream)
        return found


class ThresholdFields(StrictModel):
    """A threshold in dBFS, or so far below the hits of what is listened to."""

    threshold_dbfs: float | None = Field(None, ge=-120, le=20, description="threshold in dBFS")
    threshold_below_hits_db: float | None = Field(
        None,
        ge=-20,
        le=120,
        description="threshold so far below the hits: under hit_level_dbfs (and trim_db) of the stem, or of the key",
    )

    @model_validator(mode="after")
    def _one_threshold(self) -> Self:
        if (self.threshold_dbfs is None) == (self.threshold_below_hits_db is None):
            raise misuse(Code.KEYS_CLASH, "give either threshold_dbfs or threshold_below_hits_db")
        return self

    def threshold_at(self, hit_level_dbfs: float | None) -> float:
        """The threshold in dBFS where hits have this level."""
        if self.threshold_dbfs is not None:
            return self.threshold_dbfs
        assert hit_level_dbfs is not None, "misfits() refuses this"
        assert self.threshold_below_hits_db is not None
        return hit_level_dbfs - self.threshold_below_hits_db

    def threshold_misfits(self, hit_level_dbfs: float | None, *, keyed: bool, prefix: str = "") -> list[Misfit]:
        """A misfit where the hits' level is needed and not known."""
        if self.threshold_below_hits_db is None or hit_level_dbfs is not None:
            return []
        whose = "no source of the key has" if keyed else "this stem has"
        return [
            Misfit(
                f"{prefix}threshold_below_hits_db",
                f"needs to know how loud the hits are, and {whose} no hit_level_dbfs",
                hint="give hit_level_dbfs to the stem, or threshold_dbfs here",
                code=Code.NEEDS_HIT_LEVEL,
            )
        ]


class Thresholded(Keyed, ThresholdFields):
    """A keyed step with one threshold."""

    def threshold_in_words(self) -> str:
        """`at -42 dBFS`, or `24 dB under the hits`; with what it listens to."""
        if self.threshold_dbfs is not None:
            told = f"at {self.threshold_dbfs:g} dBFS"
        else:
            told = f"{self.threshold_below_hits_db:g} dB under the hits"
        if self.key is not None:
            told += f" of {' and '.join(self.key.sources)}"
        cuts = [
            f"{word} {hertz(cut)}"
            for word, cut in (("above", self.key_low_cut_hz), ("below", self.key_high_cut_hz))
            if cut is not None
        ]
        return told + (f", listening {' and '.join(cuts)}" if cuts else "")

    def threshold(self, stream: Stream) -> float:
        """The threshold in dBFS on this stream."""
        return self.threshold_at(self.hit_level(stream))

    def misfits(self, stream: Stream) -> list[Misfit]:
        """A threshold that needs a level nobody knows, beside what misfits any keyed step."""
        return super().misfits(stream) + self.threshold_misfits(self.hit_level(stream), keyed=self.key is not None)
