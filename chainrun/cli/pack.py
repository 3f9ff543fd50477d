"""chainrun pack: a session to give away, in one zip."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from chainrun.cli.options import (
    AllowRoots,
    AsJson,
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
    written,
)
from chainrun.cli.terminal import note, put, put_json
from chainrun.errors import EXIT_DONE, EXIT_FAILED
from chainrun.problem_codes import Code
from chainrun.recipe import open_recipe
from chainrun.whole_file import refuse_others

TAPS = BEFORE_CHAIN, AFTER_CHAIN = "before_chain", "after_chain"
"""Where the stems of a pack are taken."""


def command(
    recipe: OneRecipe,
    write: Annotated[Path, typer.Option("--write", metavar="FILE", help="The pack: NAME.zip.")],
    tap: Annotated[
        str, typer.Option("--tap", metavar="TAP", help="Stems before_chain (the recordings) or after_chain.")
    ] = BEFORE_CHAIN,
    licence: Annotated[
        Path | None, typer.Option("--licence", metavar="FILE", help="A text that says what others may do with it.")
    ] = None,
    no_licence: Annotated[bool, typer.Option("--no-licence", help="Give no licence: others must ask.")] = False,
    variant: Variant = None,
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    workers: Workers = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Put stems, recipe, measurements and mix into one zip."""
    from chainrun.pack.make import PackOptions, is_pack, make_pack

    if tap not in TAPS:
        raise refuse("--tap takes another word", given=tap, allowed=", ".join(TAPS), code=Code.OPTION_VALUE)
    if write.suffix.lower() != ".zip":
        raise refuse("a pack is called NAME.zip", given=write.name, hint=f"{write}.zip", code=Code.OPTION_VALUE)
    if licence is not None and no_licence:
        raise refuse("--licence and --no-licence do not go together", code=Code.OPTIONS_CLASH)
    if licence is None and not no_licence:
        raise refuse(
            "a pack needs --licence FILE (what others may do with it) or --no-licence",
            hint="--licence LICENCE.txt",
            code=Code.OPTIONS_CLASH,
        )
    refuse_others(write, "a pack of chainrun", lambda _begin: is_pack(write))
    opened = open_recipe(recipe, overrides(variant, overlay, set_, allow_root, limit))
    options = PackOptions(tap == AFTER_CHAIN, licence, workers, store_folder(store, no_store))
    made = make_pack(opened, write, options)
    for text in [*made.warnings, *made.failures]:
        note(text)
    if as_json:
        found = {"bytes": made.n_bytes, "warnings": made.warnings, "failures": made.failures}
        put_json({"schema_version": 1, **found, "written": written(write)})
    else:
        put(f"wrote {write}: {made.n_bytes / 1e6:.1f} MB; chainrun check {write} verifies it")
    return EXIT_FAILED if made.failures else EXIT_DONE
