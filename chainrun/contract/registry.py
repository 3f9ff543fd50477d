"""Registry of processors declared with @processor."""

from __future__ import annotations

import sys
from typing import Annotated, Any, TypeVar, Union

from pydantic import BaseModel, Field

from chainrun.contract.step import Step

_known: dict[str, type[Step]] = {}
_union: list[Any] = []
StepType = TypeVar("StepType", bound=Step)


def processor(step: type[StepType]) -> type[StepType]:
    """Register a step class under its `do`. Raises ValueError if another class has it."""
    word = step.model_fields["do"].default
    if not isinstance(word, str) or word in _known:
        raise ValueError(f"a processor needs a `do` of its own: {step.__name__} has {word!r}")
    _known[word] = step
    return step


def processors() -> dict[str, type[Step]]:
    """All processors by their `do`, in alphabetical order."""
    return dict(sorted(_known.items()))


def any_step() -> Any:
    """Type of any step, discriminated by `do`, for pydantic fields. Available after `finish`."""
    return _union[0]


def finish() -> None:
    """Close the list, and let composite steps hold any step: their files write `AnyStep` for it."""
    members = tuple(processors().values())
    _union[:] = [Annotated[Union[members], Field(discriminator="do")]]  # noqa: UP007
    names = {"AnyStep": _union[0]}
    for step in members:
        for model in list(vars(sys.modules[step.__module__]).values()):
            if isinstance(model, type) and issubclass(model, BaseModel):
                model.model_rebuild(_types_namespace=names)


def key_owner(word: str) -> tuple[str, str] | None:
    """Processor with `word`, with or without a unit, as a key of its own: its `do` and the key; else None."""
    for do, step in processors().items():
        for key in step.model_fields:
            if key not in Step.model_fields and word in (key, key.rpartition("_")[0]):
                return do, key
    return None
