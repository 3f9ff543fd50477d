"""chainrun pack: a session to give away, in one zip."""

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
    refuse,
    store_folder,
)
from chainrun.cli.terminal import put, talk
from chainrun.errors import EXIT_DONE, EXIT_FAILED
from chainrun.problem_codes import Code
from chainrun.recipe import open_recipe
from chainrun.whole_file import refuse_others


def command(
    recipe: OneRecipe,
    out: Annotated[Path, typer.Option("--out", "-o", metavar="FILE", help="The pack: NAME.zip.")],
    stems: Annotated[
        str, typer.Option("--stems", metavar="WHICH", help="raw: the recordings; processed: behind their chains.")
    ] = "raw",
    licence: Annotated[
        Path | None, typer.Option("--licence", metavar="FILE", help="A text: what others may do with it.")
    ] = None,
    no_licence: Annotated[bool, typer.Option("--no-licence", help="Give none; others must ask.")] = False,
    variant: Variant = None,
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    workers: Workers = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    quiet: Quiet = False,
) -> int:
    """Put stems, the resolved recipe, measurements and the mix into one plain zip; `check PACK.zip` verifies it."""
    from chainrun.pack.make import PackOptions, is_pack, make_pack

    if stems not in ("raw", "processed"):
        raise refuse("--stems knows no such word", given=stems, allowed="raw, processed", code=Code.OPTION_VALUE)
    if out.suffix.lower() != ".zip":
        raise refuse("a pack is called NAME.zip", given=out.name, hint=f"{out}.zip", code=Code.OPTION_VALUE)
    if licence is not None and no_licence:
        raise refuse("--licence and --no-licence do not go together", code=Code.OPTIONS_CLASH)
    if licence is None and not no_licence:
        raise refuse(
            "say what others may do with it: --licence FILE, or --no-licence",
            hint="--licence LICENCE.txt",
            code=Code.OPTIONS_CLASH,
        )
    refuse_others(out, "a pack of chainrun", lambda _begin: is_pack(out))
    opened = open_recipe(recipe, overrides(variant, overlay, set_, allow_root, limit))
    options = PackOptions(stems == "processed", licence, workers, store_folder(store, no_store))
    result = make_pack(opened, out, options)
    for warning in [*result.warnings, *result.failures]:
        talk(f"note: {warning}")
    put(f"wrote {out}: {result.n_bytes / 1e6:.1f} MB; chainrun check {out} verifies it")
    return EXIT_FAILED if result.failures else EXIT_DONE
