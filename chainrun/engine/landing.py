"""Where deliveries may land: inside the output folder, on nothing that is read or kept."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from chainrun.engine.delivery import Order
from chainrun.engine.orders import delivery_paths, input_files, sidecar_of
from chainrun.errors import Problem, RecipeError, shown_path
from chainrun.plan import Plan
from chainrun.recipe import Opened
from chainrun.recipe.roots import safely_resolved


def refuse_bad_landings(opened: Opened, plan: Plan, ordered: list[Order], out: Path, store: Path | None) -> None:
    """Refuse a delivery that would land on an input, in the store, or outside `out`. Raises RecipeError.

    Links and .. are resolved before; a link at the very place of a file is replaced by it, and not followed.
    """
    inputs = input_files(opened, plan)
    wholes = {safely_resolved(path) for path in delivery_paths(opened, out)}
    changed = opened.change and out.name == f"{opened.name}.{opened.change}"
    unchanged = {safely_resolved(path) for path in delivery_paths(opened, out.parent)} if changed else set()
    sibling = opened.path.with_name(f"{out.name}.recipe.toml")
    if changed and sibling.exists():
        raise RecipeError(
            Problem(
                "this change would be written into the folder of another recipe",
                file=shown_path(opened.path),
                given=f'"{shown_path(out)}"',
                hint=f"rename the variant or the overlay, or {sibling.name}",
            )
        )
    home, kept = safely_resolved(out), safely_resolved(store) if store is not None else None
    found = []
    for order, path in _written(ordered):
        reason = _reason(path, inputs, home, kept)
        if reason is None and (order.is_solo or order.is_stretch) and safely_resolved(path) in wholes:
            reason = "a part would be written over a delivery of the whole"
        if reason is None and safely_resolved(path) in unchanged:
            reason = "a changed recipe would be written over a delivery of the recipe as it is"
        if reason is not None:
            found.append(
                Problem(
                    reason,
                    file=shown_path(opened.path),
                    key="deliver",
                    given=f'"{shown_path(path)}"',
                    hint="choose another output folder with -o, or another file name",
                )
            )
    if found:
        raise RecipeError(found)


def _written(ordered: list[Order]) -> Iterator[tuple[Order, Path]]:
    for order in ordered:
        yield order, order.path
        if order.sidecar:
            yield order, sidecar_of(order.path)


def _reason(path: Path, inputs: set[Path], home: Path, kept: Path | None) -> str | None:
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
