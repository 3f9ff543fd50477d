"""Where deliveries may land: inside the output folder, on nothing that is read or kept."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from chainrun.errors import Problem, RecipeError, shown_path
from chainrun.plan import Plan
from chainrun.plan.deliveries import DeliverySpec
from chainrun.problem_codes import Code
from chainrun.whole_file import safely_resolved


def check_output_paths(plan: Plan, specs: Sequence[DeliverySpec], out: Path, store: Path | None) -> None:
    """Refuse a delivery that would land on an input, in the store, or outside `out`. Raises RecipeError.

    Links and .. are resolved before; a link at the very place of a file is replaced by it, and not followed.
    """
    origin = plan.origin
    wholes = {safely_resolved(out / path) for path in plan.whole_files}
    changed = origin.change and out.name == f"{origin.name}.{origin.change}"
    unchanged = {safely_resolved(out.parent / path) for path in plan.whole_files} if changed else set()
    sibling = origin.path.with_name(f"{out.name}.recipe.toml")
    if changed and sibling.exists():
        raise RecipeError(
            Problem(
                "this change would be written into the folder of another recipe",
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
            reason = "a part would be written over a delivery of the whole"
        if reason is None and safely_resolved(path) in unchanged:
            reason = "a changed recipe would be written over a delivery of the recipe as it is"
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
        return "a delivery would be written over an input"
    if folder != home and home not in folder.parents:
        return "a delivery would lie outside the output folder, by a link or a name that leads out of it"
    if kept is not None and (folder == kept or kept in folder.parents):
        return "a delivery would be written into the store"
    if path.exists() and not path.is_file():
        return "a delivery would take the place of something that is no file"
    return None
