"""chainrun resolve: a recipe with everything folded in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from chainrun.cli.options import (
    AllowRoots,
    AsJson,
    LimitWords,
    OneRecipe,
    Overlays,
    Quiet,
    Sets,
    Variant,
    overrides,
    refuse,
    written,
)
from chainrun.cli.terminal import put_json, put_utf8
from chainrun.errors import EXIT_DONE
from chainrun.problem_codes import Code
from chainrun.recipe import open_recipe
from chainrun.recipe.resolve import resolved_data, resolved_text
from chainrun.whole_file import write_whole


def command(
    recipe: OneRecipe,
    write: Annotated[
        Path | None, typer.Option("--write", metavar="FILE", help="Write it to a new file. Default: print it.")
    ] = None,
    variant: Variant = None,
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Fold base, variant, overlays and presets into one recipe."""
    opened = open_recipe(recipe, overrides(variant, overlay, set_, allow_root, limit))
    if write is not None and write.exists():
        raise refuse(
            "this file exists already, and a recipe is never overwritten",
            given=str(write),
            hint="give --write another name",
            code=Code.FILE_EXISTS,
        )
    folder = (write if write is not None else recipe).absolute().parent
    if write is not None:
        write_whole(write, resolved_text(opened, folder))
    if as_json:
        put_json({"schema_version": 1, "recipe": resolved_data(opened, folder), "written": written(write)})
    elif write is None:
        put_utf8(resolved_text(opened, folder))
    return EXIT_DONE
