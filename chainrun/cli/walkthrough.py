"""chainrun walkthrough: a mix step by step, to teach from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from chainrun.cli.options import (
    AllowRoots,
    LimitWords,
    NoStore,
    OneRecipe,
    Overlays,
    Quiet,
    Sets,
    StoreFolder,
    Variant,
    Workers,
    overrides,
    place_of_page,
    store_folder,
)
from chainrun.cli.terminal import ProgressLine, put
from chainrun.errors import EXIT_DONE
from chainrun.recipe import open_recipe


def command(
    recipe: OneRecipe,
    out: Annotated[Path, typer.Option("--out", "-o", metavar="DIR", help="The page: a folder, or one NAME.html.")],
    stems: Annotated[
        str | None, typer.Option("--stems", metavar="NAMES", help="These stems, with commas; else all that sound.")
    ] = None,
    from_: Annotated[
        float | None, typer.Option("--from", metavar="S", help="Clips begin at this second of the session, …")
    ] = None,
    to: Annotated[
        float | None, typer.Option("--to", metavar="S", help="… and end at this one; else 8 loud seconds.")
    ] = None,
    variant: Variant = None,
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    workers: Workers = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    embed: Annotated[bool, typer.Option("--embed", help="All of the page in one file.")] = False,
    quiet: Quiet = False,
) -> int:
    """Each stem raw, behind each of its steps, in its bus and in the mix: pairs at one loudness, pictures, words."""
    from chainrun.walkthrough.page import WalkthroughOptions, walkthrough

    place = place_of_page(out, embed)
    assert place is not None
    opened = open_recipe(recipe, overrides(variant, overlay, set_, allow_root, limit))
    names = tuple(one.strip() for one in stems.split(",") if one.strip()) if stems else ()
    line = ProgressLine(quiet=quiet)
    options = WalkthroughOptions(names, from_, to, workers, store_folder(store, no_store))
    put(f"wrote {walkthrough(opened, place, options, progress=line.node, rendered=line.done)}")
    return EXIT_DONE
