"""Checks output paths: deliveries stay inside the output folder and overwrite no input and nothing in the store."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from chainrun.errors import Problem, RecipeError, shown_path
from chainrun.plan import Plan
from chainrun.plan.deliveries import DeliverySpec
from chainrun.problem_codes import Code
from chainrun.whole_file import safely_resolved


def check_output_paths(plan: Plan, specs: Sequence[DeliverySpec], out: Path, store: Path | None) -> None:
    """Raise RecipeError for a delivery that would overwrite an input, or be in the store or outside `out`.

    Links and .. in the folders are resolved first; a link with the delivery's own name is replaced, not followed.
    """
    origin = plan.origin
    wholes = {safely_resolved(out / path) for path in plan.whole_files}
    changed = bool(origin.change) and out == origin.folder_in(out.parent)
    unchanged = {safely_resolved(out.parent / path) for path in plan.whole_files} if changed else set()
    sibling = origin.path.with_name(f"{out.name}.recipe.toml")
    if changed and sibling.exists():
        raise RecipeError(
            Problem(
                "the changed recipe would be delivered into the folder of another recipe",
                file=shown_path(origin.path),
                given=f'"{shown_path(out)}"',
                hint=f"rename the variant or the overlay, or {sibling.name}",
                code=Code.FOLDER_OF_ANOTHER_RECIPE,
            )
        )
    home, kept = safely_resolved(out), safely_resolved(store) if store is not None else None
    found = []
    for spec, path in [(one, path) for one in specs for path in one.files]:
        reason = _reason(path, plan.inputs, home, kept)
        if reason is None and (spec.is_solo or spec.is_stretch) and safely_resolved(path) in wholes:
            reason = "a part of the mix would overwrite a delivery of the whole mix"
        if reason is None and safely_resolved(path) in unchanged:
            reason = "a changed recipe would overwrite a delivery of the unchanged recipe"
        if reason is not None:
            found.append(
                Problem(
                    reason,
                    file=shown_path(origin.path),
                    key="deliver",
                    given=f'"{shown_path(path)}"',
                    hint="choose another output folder, or another file name",
                    code=Code.DELIVERY_IN_THE_WAY,
                )
            )
    if found:
        raise RecipeError(found)


def _reason(path: Path, inputs: frozenset[Path], home: Path, kept: Path | None) -> str | None:
    real, folder = safely_resolved(path), safely_resolved(path.parent)
    if real in inputs:
        return "a delivery would overwrite an input"
    if folder != home and home not in folder.parents:
        return "a delivery would be outside the output folder: a link or a name leads out of it"
    if kept is not None and (folder == kept or kept in folder.parents):
        return "a delivery would be written into the store"
    if path.exists() and not path.is_file():
        return "a delivery would replace something that is not a file"
    return None
