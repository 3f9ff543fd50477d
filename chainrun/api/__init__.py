"""chainrun for programs: the work of its commands as typed functions.

    import chainrun

    recipe = chainrun.load("song.recipe.toml", set={"buses.kit.chain.0.attack_ms": 4})
    result = chainrun.render(recipe, "out")
    print(result.deliveries[0].measured.integrated_lufs)
    print(result.reading_at("buses.kit.chain.0.gain_reduction_max_db"))
    print(chainrun.compare("before.wav", result.deliveries[0].file).sentence())

All raise ChainrunError; its `problems` say what is wrong, where, and what is allowed, each with a stable `code`.
Nothing is printed, and the calling process keeps its signals, settings, threads and child processes.
"""

from chainrun.api.library import apply_cull, make_pack, plan_cull, run_batch, try_cull, undo_cull, write_walkthrough
from chainrun.api.names import FixedFile, fix_names
from chainrun.api.recipes import Checked, check, check_recipe, load, make_plan, render
from chainrun.api.sound import (
    accept_recipe,
    compare,
    compare_recipes,
    draft_recipe,
    measure,
    survey_stems,
    verify_recipe,
)
from chainrun.errors import ChainrunError, Problem
from chainrun.problem_codes import Code

__all__ = [
    "ChainrunError",
    "Checked",
    "Code",
    "FixedFile",
    "Problem",
    "accept_recipe",
    "apply_cull",
    "check",
    "check_recipe",
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
