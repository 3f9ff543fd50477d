"""chainrun renders multi-microphone recordings to a measured stereo mix from text recipes.

For programs: the functions in `__all__`, defined in chainrun/api and imported on first use. Errors are `ChainrunError`s
with `problems`. The engine's version is part of every print's hash: a change of sound raises the minor version
(tests/verify/test_sound_and_version.py).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from chainrun.api import (
        ChainrunError,
        Code,
        Problem,
        accept_recipe,
        apply_cull,
        check,
        compare,
        compare_recipes,
        draft_recipe,
        fix_names,
        load,
        make_pack,
        make_plan,
        measure,
        plan_cull,
        render,
        run_batch,
        survey_stems,
        try_cull,
        undo_cull,
        verify_recipe,
        write_walkthrough,
    )

__version__ = "0.3.0"
__all__ = [
    "ChainrunError",
    "Code",
    "Problem",
    "accept_recipe",
    "apply_cull",
    "check",
    "compare",
    "compare_recipes",
    "draft_recipe",
    "fix_names",
    "load",
    "make_pack",
    "make_plan",
    "measure",
    "plan_cull",
    "render",
    "run_batch",
    "survey_stems",
    "try_cull",
    "undo_cull",
    "verify_recipe",
    "write_walkthrough",
]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module 'chainrun' has no attribute {name!r}")
    from chainrun import api

    return getattr(api, name)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
