"""Strict, frozen base model of recipes, presets and steps."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict
from pydantic.fields import FieldInfo

from chainrun.contract.misuse import misuse
from chainrun.problem_codes import Code


def _no_true(value: Any) -> Any:
    if isinstance(value, bool):
        raise misuse(Code.UNKNOWN_VERSION, "a version is a number: 1")
    return value


def is_version(field: FieldInfo) -> bool:
    """Whether a field is the version of a grammar."""
    return any(isinstance(one, BeforeValidator) and one.func is _no_true for one in field.metadata)


Version = Annotated[Literal[1], BeforeValidator(_no_true)]
"""Version of a grammar."""


MAX_TEXT_CHARACTERS = 4096
"""Maximum length of any text in a recipe."""


class StrictModel(BaseModel):
    """Frozen model that refuses unknown keys, nan and inf, and a truth value for a number."""

    model_config = ConfigDict(
        strict=True,
        extra="forbid",
        frozen=True,
        allow_inf_nan=False,
        populate_by_name=True,
        str_max_length=MAX_TEXT_CHARACTERS,
    )

    any_other: ClassVar[type[BaseModel] | None] = None
    """Model of the values under freely chosen keys, if the model takes such keys."""
