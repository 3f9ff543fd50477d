"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from chainrun.errors import Problem, UsageError
from chainrun.recipe import Overrides

Recipes = Annotated[list[Path], typer.Argument(help="Recipe files.", show_default=False)]
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
AsJson = Annotated[bool, typer.Option("--json", help="The result as one JSON document on stdout.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress and no talk.")]


def overrides(
    variant: str | None, overlays: list[Path] | None, sets: list[str] | None, allow_roots: list[Path] | None
) -> Overrides:
    """The options that change a recipe, together."""
    return Overrides(variant, tuple(overlays or ()), tuple(sets or ()), tuple(allow_roots or ()))


def refuse(
    message: str, *, given: str | None = None, allowed: str | None = None, hint: str | None = None
) -> UsageError:
    """A usage error."""
    return UsageError(Problem(message, given=given, allowed=allowed, hint=hint))
