"""Key of a dynamics step: the stems or buses that it listens to."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, Strict, model_validator

from chainrun.contract.misuse import misuse
from chainrun.contract.model import StrictModel
from chainrun.problem_codes import Code


class Key(StrictModel):
    """Signal that a step listens to instead of its own input: the plain sum of stems or buses."""

    sources: Annotated[tuple[str, ...], Strict(False)] = Field(
        alias="from", min_length=1, max_length=64, description="names of the stems or buses to listen to"
    )
    tap: Literal["before_chain", "after_chain"] = Field(
        "before_chain", description="where their signal is taken: before or after their own chain"
    )

    @model_validator(mode="after")
    def _each_once(self) -> Key:
        if len(set(self.sources)) < len(self.sources):
            raise misuse(Code.STANDS_TWICE, "a source is listed twice in `from`")
        return self
