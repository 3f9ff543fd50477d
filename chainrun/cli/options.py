"""Options that several commands share."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.terminal import talk
from chainrun.errors import Problem, ResourceError, UsageError
from chainrun.limits import Limits
from chainrun.problem_codes import Code
from chainrun.recipe import Overrides

if TYPE_CHECKING:
    from chainrun.report.page import PagePlace

Recipes = Annotated[list[Path], typer.Argument(help="Recipe files (of check: packs, too).", show_default=False)]
OneRecipe = Annotated[Path, typer.Argument(help="A recipe file.", show_default=False)]
Variant = Annotated[str | None, typer.Option("--variant", metavar="NAME", help="A variant of the recipe.")]
Overlays = Annotated[
    list[Path] | None,
    typer.Option("--overlay", metavar="FILE", help="An overlay; may be given several times."),
]
Sets = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="PATH=VALUE", help="Change one key; may be given several times."),
]
AllowRoots = Annotated[
    list[Path] | None,
    typer.Option("--allow-root", metavar="DIR", help="A folder that recipes may reach, too."),
]
LimitWords = Annotated[
    list[str] | None,
    typer.Option("--limit", metavar="NAME=VALUE", help="Change a limit: chainrun explain limits. May be repeated."),
]
Workers = Annotated[
    int | None,
    typer.Option("--workers", metavar="N", min=1, max=256, help="Processes; 1 is this one. Else as many as pay."),
]
StoreFolder = Annotated[
    Path | None,
    typer.Option("--store", metavar="DIR", help="Where prints are kept; else CHAINRUN_STORE, else the cache folder."),
]
NoStore = Annotated[bool, typer.Option("--no-store", help="Keep no prints.")]
LogFile = Annotated[Path | None, typer.Option("--log", metavar="FILE", help="Append an event a line (JSON) to a file.")]
Report = Annotated[
    Path | None,
    typer.Option("--report", metavar="PATH", help="Make a page, too: a folder, or one file called NAME.html."),
]
Embed = Annotated[bool, typer.Option("--embed", help="With --report: all of the page in one file.")]
Strict = Annotated[bool, typer.Option("--strict", help="A retired preset is an error (for CI).")]
AsJson = Annotated[bool, typer.Option("--json", help="The result as one JSON document on stdout.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress; results, notes and errors are still shown.")]


def overrides(
    variant: str | None,
    overlays: list[Path] | None,
    sets: list[str] | None,
    allow_roots: list[Path] | None,
    limits: list[str] | None = None,
) -> Overrides:
    """The options that change a recipe, together."""
    return Overrides(
        variant, tuple(overlays or ()), tuple(sets or ()), tuple(allow_roots or ()), Limits.of(limits or ())
    )


def refuse(
    message: str,
    *,
    given: str | None = None,
    allowed: str | None = None,
    hint: str | None = None,
    code: Code,
) -> UsageError:
    """A usage error."""
    return UsageError(Problem(message, given=given, allowed=allowed, hint=hint, code=code))


def store_folder(store: Path | None, no_store: bool) -> Path | None:
    """The folder of the store, or None for none. A usual one that cannot be written to is told, and left out."""
    from chainrun.store.store import Store, default_folder

    if no_store:
        if store is not None:
            raise refuse("--store and --no-store do not go together", code=Code.OPTIONS_CLASH)
        return None
    if store is not None:
        return store
    usual = default_folder()
    if usual is None or os.environ.get("CHAINRUN_STORE"):
        return usual
    try:
        Store(usual)
    except ResourceError as error:
        talk(f"note: {error.problems[0].message}: {error.problems[0].file}; no prints are kept")
        return None
    return usual


def place_of_page(report: Path | None, embed: bool) -> PagePlace | None:
    """Where a page is wanted. Raises UsageError where that cannot be, or pages cannot be made."""
    if report is None:
        if embed:
            raise refuse("--embed goes with --report", code=Code.OPTIONS_CLASH)
        return None
    from chainrun.report.page import PagePlace

    return PagePlace.of(report, embed)
