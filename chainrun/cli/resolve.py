"""chainrun resolve: the recipe with everything folded in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from chainrun.cli.options import AllowRoots, LimitWords, OneRecipe, Overlays, Sets, Variant, overrides, refuse
from chainrun.cli.terminal import put_utf8
from chainrun.errors import EXIT_DONE
from chainrun.problem_codes import Code
from chainrun.recipe import open_recipe
from chainrun.recipe.resolve import resolved_text
from chainrun.whole_file import write_whole


def command(
    recipe: OneRecipe,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="FILE", help="Where to write it; else to stdout.")
    ] = None,
    variant: Variant = None,
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
) -> int:
    """Write the recipe with base, variant, overlays and presets folded in: it needs no library."""
    opened = open_recipe(recipe, overrides(variant, overlay, set_, allow_root, limit))
    if out is None:
        put_utf8(resolved_text(opened, recipe.absolute().parent))
        return EXIT_DONE
    if out.exists():
        raise refuse("there is such a file already, and a recipe is never written over", given=str(out),
                     hint="give another -o FILE", code=Code.FILE_EXISTS)  # fmt: skip
    write_whole(out, resolved_text(opened, out.absolute().parent))
    return EXIT_DONE
