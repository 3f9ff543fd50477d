"""Writes a drafted recipe: its file, copies of the presets that it uses, and a target from one render."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path

from chainrun.delivery import RenderOptions, render
from chainrun.errors import ChainrunError, Problem, UsageError
from chainrun.limits import Limits
from chainrun.plan import build_plan
from chainrun.problem_codes import Code
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.roots import Roots
from chainrun.scheduler.processes import processors_here
from chainrun.survey.channels import of_folder
from chainrun.survey.draft import draft, with_target
from chainrun.survey.library import copy_presets
from chainrun.survey.survey import survey
from chainrun.whole_file import work_folder, write_whole


@dataclass(frozen=True)
class WrittenDraft:
    """Result of a draft: the files written, and whether the recipe can be rendered as it is."""

    recipe: Path
    stems: list[str]
    presets: list[str]
    """Presets that the recipe uses."""
    presets_written: list[str]
    """Presets that were copied beside it; the others were there already."""
    inside_root: bool
    """Whether the recipe may read its stems; if not, a render must be allowed to read their folder."""
    root_mark: Path | None
    """The empty file that was written to allow that."""
    measured: bool
    """Whether the target comes from a render; if not, it is a default."""

    def record(self) -> dict[str, object]:
        """The result as a JSON document."""
        return {
            "schema_version": 1,
            "recipe": str(self.recipe),
            "stems": self.stems,
            "presets": self.presets,
            "presets_written": self.presets_written,
            "inside_root": self.inside_root,
            "root_mark": str(self.root_mark) if self.root_mark is not None else None,
        }


def write_draft(
    folder: Path, recipe: Path | None = None, *, workers: int | None = None, limits: Limits | None = None
) -> WrittenDraft:
    """Write a first recipe for a folder of stems; by default into that folder, with the folder's name.

    Surveys the stems, copies the presets into `presets/` beside the recipe, and renders once, without writing audio, to
    find a target. Raises UsageError if the recipe exists already or the folder does not, AudioError, ResourceError.
    """
    limits = limits or Limits.of(())
    material = of_folder(folder, limits)
    name = folder.resolve().name or "draft"
    target = recipe if recipe is not None else folder / f"{name}.recipe.toml"
    _refuse_what_is_there(target, name)
    found = survey(material, workers=workers or processors_here())
    seen = os.path.relpath(folder.resolve(), target.resolve().parent)
    made = draft(found, name, Path(seen).as_posix())
    copied = copy_presets(made.presets, target.parent / "presets")
    write_whole(target, made.text)
    mark = _mark_root(target, folder)
    inside = Roots.of(target).refusal(folder) is None
    main = _main(target, () if inside else (folder.resolve(),), workers, limits)
    if main is not None:
        write_whole(target, with_target(made.text, *main))
    return WrittenDraft(target, material.stems, made.presets, copied, inside, mark, main is not None)


def _refuse_what_is_there(target: Path, name: str) -> None:
    if target.is_dir():
        raise UsageError(
            Problem(
                "the recipe to write is a folder",
                given=str(target),
                hint=f"{target}/{name}.recipe.toml",
                code=Code.OPTION_VALUE,
                facts=(("asked_by", "target"),),
            )
        )
    if target.exists():
        raise UsageError(
            Problem(
                "this file exists already, and a draft never overwrites one",
                given=str(target),
                hint="give it another name",
                code=Code.FILE_EXISTS,
            )
        )


def _mark_root(recipe: Path, stems_dir: Path) -> Path | None:
    """Make the nearest folder that contains recipe and stems the root; None if it is, or would be too far up."""
    roots = Roots.of(recipe)
    mark = roots.mark_for(stems_dir) if roots.refusal(stems_dir) is not None else None
    if mark is not None:
        try:
            mark.touch()
        except OSError:
            return None
    return mark


def _main(recipe: Path, roots: tuple[Path, ...], workers: int | None, limits: Limits) -> tuple[float, float] | None:
    """Loudness and true peak of the draft's main, from one render; None if it does not render."""
    try:
        with work_folder("chainrun-draft") as work:
            opened = open_recipe(recipe, Overrides(allow_roots=roots, limits=limits))
            result = render(build_plan(opened), work, RenderOptions(workers=workers, measure_only=True))
    except ChainrunError:
        return None
    main = next(node.measured for node in result.nodes if node.name == "main")
    if main.true_peak_dbtp is None or not math.isfinite(main.integrated_lufs + main.true_peak_dbtp):
        return None
    return main.integrated_lufs, main.true_peak_dbtp
