"""What a declaration's own validators raise: an error that carries its code as its type."""

from __future__ import annotations

from pydantic_core import PydanticCustomError

from chainrun.problem_codes import Code


def misuse(code: Code, message: str) -> PydanticCustomError:
    """The error of keys that do not go together, or of a value that no declared range tells."""
    return PydanticCustomError(code.value, message)
