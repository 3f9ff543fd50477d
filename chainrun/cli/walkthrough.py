"""chainrun walkthrough: a teaching page that explains a mix step by step."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.options import (
    AllowRoots,
    AsJson,
    Embed,
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
    several,
    store_folder,
    written,
)
from chainrun.cli.progress import ProgressLines
from chainrun.cli.terminal import put, put_json
from chainrun.errors import EXIT_DONE
from chainrun.problem_codes import Code
from chainrun.recipe import open_recipe

if TYPE_CHECKING:
    from chainrun.report.page import PagePlace


def command(
    recipe: OneRecipe,
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="DIR", help="Write the page into this folder.")
    ] = None,
    write: Annotated[
        Path | None, typer.Option("--write", metavar="FILE", help="Write the page as one file: NAME.html.")
    ] = None,
    stems: Annotated[
        list[str] | None, typer.Option("--stems", metavar="NAMES", help="Explain these stems. Default: all that sound.")
    ] = None,
    from_: Annotated[
        float | None,
        typer.Option(
            "--from",
            metavar="S",
            help="Clips begin at this second. Default, without --to: the loudest 8 s of each stem.",
        ),
    ] = None,
    to: Annotated[float | None, typer.Option("--to", metavar="S", help="Clips end at this second.")] = None,
    variant: Variant = None,
    overlay: Overlays = None,
    set_: Sets = None,
    allow_root: AllowRoots = None,
    limit: LimitWords = None,
    workers: Workers = None,
    store: StoreFolder = None,
    no_store: NoStore = False,
    embed: Embed = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Write a teaching page: each step heard without and with it.

    Each stem is heard as recorded, after each of its steps, in its bus and in the mix: pairs of equal loudness,
    pictures, and the step in words.
    """
    from chainrun.walkthrough.page import WalkthroughOptions, walkthrough

    place = _place(out, write, embed)
    opened = open_recipe(recipe, overrides(variant, overlay, set_, allow_root, limit))
    line = ProgressLines(quiet=quiet or as_json)
    options = WalkthroughOptions(several("--stems", stems), from_, to, workers, store_folder(store, no_store))
    try:
        page = walkthrough(opened, place, options, progress=line.node, rendered=line.done)
    finally:
        line.done()
    if as_json:
        put_json({"schema_version": 1, "written": written(page)})
    else:
        put(f"wrote {page}")
    return EXIT_DONE


def _place(out: Path | None, write: Path | None, embed: bool) -> PagePlace:
    """The place of the page. Raises UsageError where that is not said, or said twice."""
    from chainrun.report.page import PAGE_ENDINGS, PagePlace

    if (out is None) == (write is None):
        raise refuse("a walkthrough needs -o DIR or --write NAME.html, one of them", code=Code.OPTIONS_CLASH)
    if write is not None:
        if write.suffix.lower() not in PAGE_ENDINGS:
            raise refuse("a page is called NAME.html", given=write.name, hint=f"{write}.html", code=Code.OPTION_VALUE)
        return PagePlace.of(write)
    assert out is not None
    if out.suffix.lower() in PAGE_ENDINGS:
        raise refuse("-o is a folder", given=str(out), hint=f"--write {out}", code=Code.OPTION_VALUE)
    return PagePlace.of(out, embed)
