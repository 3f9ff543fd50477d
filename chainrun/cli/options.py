"""Options that several commands share."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import replace
from glob import glob, has_magic
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.terminal import note, talk
from chainrun.errors import Problem, ResourceError, UsageError
from chainrun.limits import Limits
from chainrun.problem_codes import Code
from chainrun.recipe import Overrides

if TYPE_CHECKING:
    from chainrun.report.content import Page
    from chainrun.report.page import PagePlace

Recipes = Annotated[
    list[str],
    typer.Argument(metavar="RECIPES", help="Recipe files, or patterns in quotes: 'songs/*.recipe.toml'.",
                   show_default=False),
]  # fmt: skip
OneRecipe = Annotated[Path, typer.Argument(metavar="RECIPE", help="A recipe file.", show_default=False)]
Variant = Annotated[list[str] | None, typer.Option("--variant", metavar="NAME", help="Use this variant of the recipe.")]
Variants = Annotated[
    list[str] | None, typer.Option("--variant", metavar="NAMES", help="Use these variants of the recipes.")
]
Overlays = Annotated[
    list[str] | None, typer.Option("--overlay", metavar="FILES", help="Lay overlays over the recipe, in this order.")
]
Sets = Annotated[
    list[str] | None,
    typer.Option(
        "--set",
        metavar="PATH=VALUE",
        help="Change one key; repeat the option for more keys. A value may contain commas.",
    ),
]
Only = Annotated[
    list[str] | None,
    typer.Option("--only", metavar="NAMES", help="Only these stems and buses sound; all others are muted."),
]
AllowRoots = Annotated[
    list[str] | None, typer.Option("--allow-root", metavar="DIRS", help="Let recipes read these folders, too.")
]
LimitWords = Annotated[
    list[str] | None,
    typer.Option("--limit", metavar="NAME=VALUE", help="Change a limit (chainrun explain limits lists them)."),
]
Workers = Annotated[
    int | None,
    typer.Option("--workers", metavar="N", min=1, max=256,
                 help="Worker processes (1: work in this process). Default: automatic."),
]  # fmt: skip
StoreFolder = Annotated[
    Path | None,
    typer.Option(
        "--store", metavar="DIR", help="Folder of cached prints. Default: CHAINRUN_STORE, or the user's cache."
    ),
]
NoStore = Annotated[bool, typer.Option("--no-store", help="Use no cached prints, and keep none.")]
LogFile = Annotated[
    Path | None, typer.Option("--log", metavar="FILE", help="Append events to a file, one JSON object per line.")
]
Report = Annotated[
    Path | None,
    typer.Option("--report", metavar="PATH", help="Also write a page: a folder, or one file NAME.html."),
]
Embed = Annotated[bool, typer.Option("--embed", help="Put the whole page into one file.")]
Strict = Annotated[bool, typer.Option("--strict", help="Warnings about presets (retired, changed) are errors.")]
ShowAll = Annotated[bool, typer.Option("--all", help="Show all results, also those that need no attention.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the result as one JSON document.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="Show no progress; results, notes and errors stay.")]
WITH_COMMAS = ("--only", "--stems", "--jobs", "--variant", "--presets", "--recipes", "--overlay", "--limit",
               "--allow-root")  # fmt: skip
"""Options that take several values: with commas, or given several times."""


def several(option: str, values: Sequence[str] | None) -> tuple[str, ...]:
    """The values of an option that is repeated, or has commas, each once. Raises UsageError where it names nothing."""
    found = tuple(dict.fromkeys(part.strip() for value in values or () for part in value.split(",") if part.strip()))
    if values and not found:
        raise refuse(f"{option} names nothing", given=values[0], code=Code.OPTION_VALUE)
    return found


def one_variant(values: Sequence[str] | None) -> str | None:
    """The variant of a command that takes one. Raises UsageError for several."""
    names = several("--variant", values)
    if len(names) > 1:
        raise refuse(
            "--variant takes one name here", given=", ".join(names), hint="run the command once for each",
            code=Code.OPTIONS_CLASH,
        )  # fmt: skip
    return names[0] if names else None


def paths(option: str, values: Sequence[str] | None) -> tuple[Path, ...]:
    """Paths of an option that is repeated, or has commas; what exists under a name with a comma is that one path."""
    return tuple(map(Path, files_of(option, values)))


def files_of(option: str, values: Sequence[str] | None) -> tuple[str, ...]:
    """Files given as text; patterns are allowed, too."""
    parts = [part for value in values or () for part in ([value] if _exists(value) else several(option, [value]))]
    return tuple(dict.fromkeys(parts))


def _exists(text: str) -> bool:
    try:
        return os.path.lexists(text)
    except ValueError:  # a zero byte
        return False


def matching(
    patterns: Iterable[str], what: str, endings: Sequence[str] = (), *, code: Code = Code.NO_FILE_MATCHES
) -> list[Path]:
    """Files by names and patterns; a pattern adds those that are not there yet, sorted, with one of `endings`.

    A name that exists is that file, whatever characters it has. Raises UsageError for a pattern that matches nothing;
    a plain name that does not exist is left to whoever opens it.
    """
    found: list[Path] = []
    for pattern in patterns:
        if _exists(pattern) or not has_magic(pattern):
            found.append(Path(pattern))
            continue
        here = [Path(one) for one in sorted(glob(pattern, recursive=True)) if one.endswith(tuple(endings) or "")]
        here = [one for one in here if one.is_file()]
        if not here:
            allowed = "names ending in " + " or ".join(endings) if endings else None
            raise refuse(f"no {what} matches", given=pattern, allowed=allowed, code=code)
        found += [one for one in here if one not in found]
    return found


def recipe_files(patterns: Iterable[str]) -> list[Path]:
    """Recipes by names and patterns. Raises UsageError for a pattern that matches none."""
    return matching(patterns, "recipe", [".recipe.toml"], code=Code.NO_RECIPE_MATCHES)


def overrides(
    variant: list[str] | None,
    overlays: list[str] | None,
    sets: list[str] | None,
    allow_roots: list[str] | None,
    limits: list[str] | None = None,
) -> Overrides:
    """The options that change a recipe, together. Raises UsageError."""
    files = matching(files_of("--overlay", overlays), "overlay", [".overlay.toml"])
    roots = paths("--allow-root", allow_roots)
    return Overrides(one_variant(variant), tuple(files), tuple(sets or ()), roots, limits_of(limits))


def each_variant(variants: list[str] | None, chosen: Overrides) -> list[Overrides]:
    """Overrides to open a recipe with, one for each variant; one without `--variant`."""
    return [replace(chosen, variant=name) for name in several("--variant", variants)] or [chosen]


def limits_of(values: list[str] | None) -> Limits:
    """The limits of `--limit`. Raises UsageError for one that is unknown."""
    return Limits.of(several("--limit", values))


def refuse(
    message: str,
    *,
    given: str | None = None,
    allowed: str | None = None,
    hint: str | None = None,
    code: Code,
) -> UsageError:
    """Make a usage error."""
    return UsageError(Problem(message, given=given, allowed=allowed, hint=hint, code=code))


def store_folder(store: Path | None, no_store: bool) -> Path | None:
    """The store's folder, or None for none. A default folder that cannot be written to is left out, with a note."""
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
        note(f"{error.problems[0].message}: {error.problems[0].file}; no prints are kept")
        return None
    return usual


def place_of_page(report: Path | None, embed: bool) -> PagePlace | None:
    """The place of the page that `--report` asks for, or None. Raises UsageError for a place that cannot be used."""
    if report is None:
        if embed:
            raise refuse("--embed goes with --report", code=Code.OPTIONS_CLASH)
        return None
    from chainrun.report.page import PagePlace

    return PagePlace.of(report, embed)


def write_page(page: Page, place: PagePlace) -> Path:
    """Write a page, and say on stderr where it is."""
    from chainrun.report import page as pages

    file = pages.write_page(page, place)
    talk(f"wrote {file}")
    return file


def written(*files: Path | None) -> list[str]:
    """Files that a command wrote, for its JSON document; None for those that were not asked for."""
    return [str(file) for file in files if file is not None]
