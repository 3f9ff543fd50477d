"""Error of a declaration's own validators, with its problem code as pydantic's error type."""

from __future__ import annotations

from pydantic_core import PydanticCustomError

from chainrun.problem_codes import Code


def misuse(code: Code, message: str) -> PydanticCustomError:
    """Error for keys that exclude each other, or for a value outside what a declared range can express."""
    return PydanticCustomError(code.value, message)
