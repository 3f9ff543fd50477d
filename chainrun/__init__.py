"""chainrun renders multi-microphone recordings to a measured stereo mix from text recipes.

For programs: `load`, `check`, `render`, `measure`, `compare`, all in chainrun/api.py, which is imported when one of
them is first used; what goes wrong is a `ChainrunError` with `problems`. The engine's version stands here, and a
print's hash holds it: a change of sound raises the minor version (tests/verify/test_sound_and_version.py).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from chainrun.api import ChainrunError, Problem, check, compare, load, measure, render

__version__ = "0.2.0"
__all__ = ["ChainrunError", "Problem", "check", "compare", "load", "measure", "render"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'chainrun' has no attribute {name!r}")
    from chainrun import api

    return getattr(api, name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
