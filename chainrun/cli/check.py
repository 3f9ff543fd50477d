"""chainrun check: is the recipe valid, and are its stems there?"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from chainrun.api import FixedFile, check_recipe, fix_names
from chainrun.api.names import RECORD_ENDING
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
from chainrun.cli.terminal import problems_document, put, put_json, show_problems, talk
from chainrun.errors import (
    EXIT_AUDIO,
    EXIT_DONE,
    EXIT_FAILED,
    EXIT_RECIPE,
    EXIT_RESOURCES,
    EXIT_USAGE,
    ChainrunError,
    Problem,
    shown_path,
)

WORST_FIRST = (EXIT_RESOURCES, EXIT_USAGE, EXIT_RECIPE, EXIT_AUDIO, EXIT_FAILED, EXIT_DONE)
"""Of several recipes the exit code of the worst tells."""


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
    fix: Annotated[
        bool, typer.Option("--fix", help="Rewrite files of an older grammar with today's names, in place.")
    ] = False,
) -> int:
    """Check recipes and their presets, and open the stems' headers; or packs (NAME.zip). Renders nothing."""
    chosen = overrides(variant, overlay, set_, allow_root, limit)
    problems: list[Problem] = []
    codes = [EXIT_DONE]
    fixed = fix_names(recipes, allow_roots=allow_root or []) if fix else []
    if not as_json:
        _show_fixed(fixed, asked=fix)
    for path in recipes:
        if fix and path.name.endswith(RECORD_ENDING):
            continue
        if path.suffix.lower() == ".zip":
            codes.append(_pack(path, problems, quiet=as_json))
            continue
        found = check_recipe(path, chosen, strict=strict)
        problems += found.problems
        codes.append(found.exit_code)
        if found.about and not as_json:
            put(f"{shown_path(path)}: {found.about}")
        if found.opened is None or found.plan is None or not found.valid or as_json:
            continue
        plan = found.plan
        put(
            f"{shown_path(found.opened.path)}: valid; {len(plan.nodes)} nodes, {plan.session_s:.2f} s "
            f"at {plan.rate_hz} Hz"
        )
        for note in plan.notes:
            put(f"    {note}")
    code = WORST_FIRST[min(WORST_FIRST.index(one) for one in codes)]
    problems = list(dict.fromkeys(problems))
    if as_json:
        put_json(problems_document(problems) | ({"fixed": [_fixed_record(one) for one in fixed]} if fix else {}))
    else:
        show_problems(problems)
    return code


def _show_fixed(fixed: list[FixedFile], *, asked: bool) -> None:
    """The files that were rewritten, and those of which no copy is kept."""
    for one in fixed:
        put(f"{shown_path(one.file)}: {one.n_names} name{'s' if one.n_names != 1 else ''} changed")
    if asked and not fixed:
        put("all names are today's: nothing changed")
    if bare := [shown_path(one.file) for one in fixed if not one.in_git]:
        talk(f"No copy is kept of the old text of {len(bare)} of them, which git does not have: {', '.join(bare)}")


def _fixed_record(one: FixedFile) -> dict[str, object]:
    return {"file": shown_path(one.file), "names": one.n_names, "in_git": one.in_git}


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
