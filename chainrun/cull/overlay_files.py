"""Texts of the files that a cull writes beside its plan: the year's overlay, and a batch of all recipes under it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from chainrun.cull.plan import CullPlan, seen_from
from chainrun.library.usage import recipe_files
from chainrun.recipe.load import recipe_name

Variant = tuple[Path, str]
"""A recipe, and the name of one of its variants."""


def overlay_text(plan: CullPlan) -> str:
    """The text of the year's overlay: `[replace_presets]` with every replaced preset and its successor."""
    import tomli_w

    table = tomli_w.dumps({"replace_presets": plan.replacements()}) if plan.replacements() else ""
    head = f"# Presets replaced by the cull of {plan.file.year}. Apply it to a recipe with --overlay."
    return f"{head}\n{table}"


def seen_from_plan(plan: CullPlan, path: Path) -> str:
    """A path relative to the plan's folder."""
    return seen_from(plan.path.resolve().parent, path.resolve())


def _job_name(recipe: Path, plan: CullPlan) -> str:
    """A name for a job from its recipe's path: `songs-a-take`."""
    place = seen_from_plan(plan, recipe).removesuffix(".toml").removesuffix(".recipe")
    return re.sub(r"[^A-Za-z0-9_-]+", "-", place).strip("-_")[-48:].strip("-_") or "recipe"


def jobs_text(plan: CullPlan, overlay: Path, variants: Sequence[Variant] = ()) -> str:
    """The text of a batch that renders all recipes with and without the new overlay, and compares."""
    import tomli_w

    jobs: list[dict[str, object]] = [{"recipes": plan.file.recipes}] if plan.file.recipes else []
    recipes = recipe_files(plan.patterns) if plan.patterns else []
    names = [recipe_name(recipe) for recipe in recipes]
    twice = {name for name in names if names.count(name) > 1}
    if twice:  # two jobs may not have the same name: such recipes are listed one by one
        jobs = [
            {"recipes": [seen_from_plan(plan, one)], **({"name": _job_name(one, plan)} if name in twice else {})}
            for one, name in zip(recipes, names, strict=True)
        ]
    for recipe, variant in variants:
        own = (
            {"name": f"{_job_name(recipe, plan)}-{variant}"[-64:].lstrip("-_")} if recipe_name(recipe) in twice else {}
        )
        jobs.append({"recipes": [seen_from_plan(plan, recipe)], "variant": variant, **own})
    return tomli_w.dumps(
        {
            "grammar": 1,
            "out": f"out-{plan.file.year}",
            "on_error": "continue",
            "defaults": {"overlays": [overlay.name], "compare": True},
            "job": jobs,
        }
    )
