"""chainrun check: tests whether recipes are valid and their stems can be read; verifies packs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from chainrun.api import FixedFile, check_recipe, fix_names
from chainrun.api.names import RECORD_ENDING
from chainrun.api.recipes import Checked
from chainrun.cli.options import (
    AllowRoots,
    AsJson,
    LimitWords,
    Overlays,
    Quiet,
    Sets,
    Strict,
    Variants,
    each_variant,
    matching,
    overrides,
    paths,
)
from chainrun.cli.terminal import good, note, problems_document, put, put_json, show_problems
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
"""Exit codes by their weight: several recipes end with the worst one's."""


def command(
    recipes: Annotated[
        list[str],
        typer.Argument(
            metavar="FILES",
            help="Recipes, files that belong to them, or packs; also patterns in quotes.",
            show_default=False,
        ),
    ],
    variant: Variants = None,
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    strict: Strict = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
    fix: Annotated[
        bool, typer.Option("--fix", help="Rewrite files with older names in place, with today's names.")
    ] = False,
) -> int:
    """Check recipes, the files that belong to them, or packs.

    A recipe is checked with its presets and all its variants, and the headers of its stems are read. Presets, overlays,
    files of jobs, cull plans and baselines can be checked on their own. A pack (NAME.zip) is compared with its
    checksums. Nothing is rendered.
    """
    chosen = each_variant(variant, overrides(None, overlay, set_, allow_root, limit))
    problems: list[Problem] = []
    codes = [EXIT_DONE]
    files = matching(recipes, "file", [] if fix else [".toml", ".zip"])
    fixed = fix_names(files, allow_roots=paths("--allow-root", allow_root)) if fix else []
    if not as_json:
        _show_fixed(fixed, asked=fix)
    for path in files:
        if fix and path.name.endswith(RECORD_ENDING):
            continue
        if path.suffix.lower() == ".zip":
            codes.append(_pack(path, problems, as_json=as_json))
            continue
        for one in chosen:
            found = check_recipe(path, one, strict=strict)
            problems += found.problems
            codes.append(found.exit_code)
            if not as_json:
                _show(path, found)
    code = WORST_FIRST[min(WORST_FIRST.index(one) for one in codes)]
    problems = list(dict.fromkeys(problems))
    if as_json:
        put_json(problems_document(problems) | ({"fixed": [_fixed_record(one) for one in fixed]} if fix else {}))
    else:
        show_problems(problems)
    return code


def _show(path: Path, found: Checked) -> None:
    if found.about:
        put(f"{shown_path(path)}: {found.about}")
    if found.opened is None or found.plan is None or not found.valid:
        return
    plan, variant = found.plan, f", variant {found.opened.variant}" if found.opened.variant else ""
    what = f"{len(plan.nodes)} nodes, {plan.session_s:.2f} s at {plan.rate_hz} Hz"
    put(f"{shown_path(found.opened.path)}{variant}: {good('valid')}; {what}")
    for text in plan.notes:
        put(f"    {text}")


def _show_fixed(fixed: list[FixedFile], *, asked: bool) -> None:
    """Show the files that were rewritten, and those of which no copy is kept."""
    for one in fixed:
        put(f"{shown_path(one.file)}: {one.n_names} name{'s' if one.n_names != 1 else ''} changed")
    if asked and not fixed:
        put("all names are today's: nothing changed")
    if bare := [shown_path(one.file) for one in fixed if not one.in_git]:
        note(f"no copy of the old text is kept, and git does not have it either: {', '.join(bare)}")


def _fixed_record(one: FixedFile) -> dict[str, object]:
    return {"file": shown_path(one.file), "names": one.n_names, "in_git": one.in_git}


def _pack(path: Path, problems: list[Problem], *, as_json: bool) -> int:
    from chainrun.pack.check import check_pack

    try:
        found = check_pack(path)
    except ChainrunError as error:
        problems += error.problems
        return error.exit_code
    problems += found.problems
    if found.problems:
        return EXIT_FAILED
    if not as_json and found.plan is not None:
        what = f"{found.n_files} files; the recipe is valid, {len(found.plan.nodes)} nodes"
        put(f"{shown_path(path)}: {good('complete')}, {what}")
    return EXIT_DONE
