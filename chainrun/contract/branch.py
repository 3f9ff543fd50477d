"""Declaration of a parallel chain: a branch, or a band of a split."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from chainrun.contract.model import StrictModel

if TYPE_CHECKING:
    from chainrun.contract.step import Step as AnyStep


class Branch(StrictModel):
    """Chain in parallel to others, with its level in the sum."""

    chain: list[AnyStep] = Field(default_factory=list, max_length=64, description="the steps, in order")
    level_db: float = Field(0.0, ge=-120, le=24, description="level in the sum")
    mute: bool = Field(False, description="leave it out of the sum")
    solo: bool = Field(False, description="leave out all others that are not solo")
    note: str | None = Field(None, description="free text")
