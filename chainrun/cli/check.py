"""chainrun check: is the recipe valid, and are its stems there?"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from chainrun.cli.options import (
    AllowRoots,
    AsJson,
    LimitWords,
    Overlays,
    Quiet,
    Recipes,
    Sets,
    Strict,
    Variant,
    overrides,
)
from chainrun.cli.terminal import problems_document, put, put_json, talk
from chainrun.errors import (
    EXIT_AUDIO,
    EXIT_DONE,
    EXIT_FAILED,
    EXIT_RECIPE,
    AudioError,
    ChainrunError,
    Problem,
    shown_path,
)
from chainrun.plan import build_plan
from chainrun.recipe import open_recipe
from chainrun.recipe.expected import expectation_problems
from chainrun.recipe.load import refuse_retired
from chainrun.verify.changed import changed_presets


def command(
    recipes: Recipes,
    variant: Variant = None,
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    strict: Strict = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Check recipes and their presets, and open the stems' headers; or packs (NAME.zip). Renders nothing."""
    chosen = overrides(variant, overlay, set_, allow_root, limit)
    problems: list[Problem] = []
    code = EXIT_DONE
    for path in recipes:
        if path.suffix.lower() == ".zip":
            code = max(code, _pack(path, problems, quiet=quiet or as_json))
            continue
        try:
            opened = open_recipe(path, chosen)
            if strict:
                refuse_retired(opened)
            problems += opened.problems.warnings
            if unknown := expectation_problems(opened):
                problems += unknown
                code = EXIT_RECIPE
            problems += [
                Problem(text, file=shown_path(opened.path), severity="warning") for text in changed_presets(opened)
            ]
            plan = build_plan(opened)
            for name in opened.recipe.variants if variant is None else ():
                build_plan(open_recipe(path, replace(chosen, variant=name)))
        except AudioError as error:
            problems += error.problems
            code = code or EXIT_AUDIO
        except ChainrunError as error:
            problems += error.problems
            code = EXIT_RECIPE
        else:
            if not as_json and not quiet:
                put(
                    f"{shown_path(opened.path)}: valid; {len(plan.nodes)} nodes, {plan.session_s:.2f} s "
                    f"at {plan.rate_hz} Hz"
                )
                for note in plan.notes:
                    put(f"    {note}")
    if as_json:
        put_json(problems_document(problems))
    else:
        for problem in problems:
            talk(problem.text())
        if len(problems) > 1:
            talk(f"{len(problems)} problems")
    return code


def _pack(path: Path, problems: list[Problem], *, quiet: bool) -> int:
    from chainrun.pack.check import check_pack

    try:
        found = check_pack(path)
    except ChainrunError as error:
        problems += error.problems
        return error.exit_code
    problems += found.problems
    if found.problems:
        return EXIT_FAILED
    if not quiet and found.plan is not None:
        put(f"{shown_path(path)}: whole, {found.n_files} files; its recipe is valid, {len(found.plan.nodes)} nodes")
    return EXIT_DONE
