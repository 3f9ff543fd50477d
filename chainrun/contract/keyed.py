"""Common declarations of dynamics steps: a key with its cuts, and a threshold in dBFS or relative to the hits."""

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
    """Step that may listen to other stems or buses, through a low and a high cut."""

    key: Key | None = Field(None, description="listen to these stems or buses instead of the step's input")
    key_low_cut_hz: float | None = Field(
        None, ge=10, le=20000, description="low cut in the side chain at this frequency, 12 dB/octave"
    )
    key_high_cut_hz: float | None = Field(
        None, ge=10, le=20000, description="high cut in the side chain at this frequency, 12 dB/octave"
    )
    listen: bool = Field(False, description="output the side chain instead, to set the step up")

    def listens_to(self) -> tuple[Key, ...]:
        """Its key, if it has one and is not bypassed."""
        return (self.key,) if self.key is not None and not self.bypass else ()

    def hit_level(self, stream: Stream) -> float | None:
        """Usual peak of a hit in the side chain in dBFS; None if the recipe does not give it."""
        return stream.hit_level_dbfs if self.key is None else stream.key_hit_levels.get(self.key)

    def channels_out(self, n_channels: int) -> int:
        """The number of input channels."""
        return n_channels

    def misfits(self, stream: Stream) -> list[Misfit]:
        """Misfits of any step, and cuts of the side chain that are too high for the rate."""
        found = super().misfits(stream)
        for name in ("key_low_cut_hz", "key_high_cut_hz"):
            freq_hz = getattr(self, name)
            if freq_hz is not None:
                found += too_high(name, freq_hz, stream)
        return found


class ThresholdFields(StrictModel):
    """Threshold in dBFS, or relative to the hits in the side chain."""

    threshold_dbfs: float | None = Field(None, ge=-120, le=20, description="threshold in dBFS")
    threshold_below_hits_db: float | None = Field(
        None,
        ge=-20,
        le=120,
        description="how far below the hits: hit_level_dbfs (plus trim_db) of the key, if there is one, or the stem",
    )

    @model_validator(mode="after")
    def _one_threshold(self) -> Self:
        if (self.threshold_dbfs is None) == (self.threshold_below_hits_db is None):
            raise misuse(Code.KEYS_CLASH, "give either threshold_dbfs or threshold_below_hits_db")
        return self

    def threshold_at(self, hit_level_dbfs: float | None) -> float:
        """Threshold in dBFS for hits of this level."""
        if self.threshold_dbfs is not None:
            return self.threshold_dbfs
        assert hit_level_dbfs is not None, "misfits() refuses this"
        assert self.threshold_below_hits_db is not None
        return hit_level_dbfs - self.threshold_below_hits_db

    def threshold_misfits(self, hit_level_dbfs: float | None, *, keyed: bool, prefix: str = "") -> list[Misfit]:
        """Misfit of a threshold that needs the level of the hits, if that is unknown."""
        if self.threshold_below_hits_db is None or hit_level_dbfs is not None:
            return []
        whose = "no source of the key has" if keyed else "this stem has"
        return [
            Misfit(
                f"{prefix}threshold_below_hits_db",
                f"needs the level of the hits, but {whose} no hit_level_dbfs",
                hint="give hit_level_dbfs to the stem, or threshold_dbfs here",
                code=Code.NEEDS_HIT_LEVEL,
            )
        ]


class Thresholded(Keyed, ThresholdFields):
    """Keyed step with one threshold."""

    def threshold_in_words(self) -> str:
        """Threshold and side chain: `-42 dBFS`, `a threshold 24 dB below the hits of kick, listening above 100 Hz`."""
        if self.threshold_dbfs is not None:
            words = f"{self.threshold_dbfs:g} dBFS" + (" in " if self.key is not None else "")
        else:
            words = f"a threshold {self.threshold_below_hits_db:g} dB below the hits"
            words += " of " if self.key is not None else ""
        if self.key is not None:
            words += " and ".join(self.key.sources)
        cuts = [
            f"{word} {hertz(cut)}"
            for word, cut in (("above", self.key_low_cut_hz), ("below", self.key_high_cut_hz))
            if cut is not None
        ]
        return words + (f", listening {' and '.join(cuts)}" if cuts else "")

    def threshold(self, stream: Stream) -> float:
        """Threshold in dBFS on this stream."""
        return self.threshold_at(self.hit_level(stream))

    def misfits(self, stream: Stream) -> list[Misfit]:
        """Misfits of any keyed step, and a threshold that needs an unknown level."""
        return super().misfits(stream) + self.threshold_misfits(self.hit_level(stream), keyed=self.key is not None)
