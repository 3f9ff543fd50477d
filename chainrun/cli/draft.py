"""chainrun draft: a first recipe for a folder of stems."""

from __future__ import annotations

import math
import os
import shlex
from pathlib import Path
from typing import Annotated

import typer

from chainrun.cli.options import AsJson, LimitWords, Workers, refuse
from chainrun.cli.terminal import put, put_json, talk
from chainrun.errors import EXIT_DONE, ChainrunError
from chainrun.limits import Limits
from chainrun.plan import build_plan


def mark_root(recipe: Path, stems_dir: Path) -> Path | None:
    """Make the nearest folder that holds both the recipe's root; None where it is, or where that would be too much."""
    from chainrun.recipe.roots import Roots

    roots = Roots.of(recipe)
    mark = roots.mark_for(stems_dir) if roots.refusal(stems_dir) is not None else None
    if mark is not None:
        try:
            mark.touch()
        except OSError:
            return None
    return mark


def _main(recipe: Path, roots: tuple[Path, ...], workers: int | None, limits: Limits) -> tuple[float, float] | None:
    """Loudness and true peak of the draft's main, rendered once; None where that cannot be."""
    from chainrun.delivery import RenderOptions, render
    from chainrun.recipe import Overrides, open_recipe
    from chainrun.whole_file import work_folder

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


def command(
    stems_dir: Annotated[Path, typer.Argument(metavar="FOLDER", help="A folder of audio files.", show_default=False)],
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="RECIPE", help="Where to write it; else into the folder.")
    ] = None,
    workers: Workers = None,
    limit: LimitWords = None,
    as_json: AsJson = False,
) -> int:
    """Write a first recipe for a folder of stems: roles, polarity, gates, pans, faders; each choice explained."""
    from chainrun.recipe.roots import Roots
    from chainrun.scheduler.processes import processors_here
    from chainrun.survey.channels import of_folder
    from chainrun.survey.draft import draft, with_target
    from chainrun.survey.library import copy_presets
    from chainrun.survey.survey import survey
    from chainrun.whole_file import write_whole

    material = of_folder(stems_dir, Limits.of(limit or ()))
    name = stems_dir.resolve().name or "draft"
    target = out if out is not None else stems_dir / f"{name}.recipe.toml"
    if target.is_dir():
        raise refuse("-o wants a recipe's file, not a folder", given=str(target), hint=f"{target}/{name}.recipe.toml")
    if target.exists():
        raise refuse("there is such a file already, and a recipe is never written over", given=str(target),
                     hint="give another -o RECIPE")  # fmt: skip
    found = survey(material, workers=workers or processors_here())
    seen = os.path.relpath(stems_dir.resolve(), target.resolve().parent)
    made = draft(found, name, Path(seen).as_posix())
    written = copy_presets(made.presets, target.parent / "presets")
    write_whole(target, made.text)
    marked = mark_root(target, stems_dir)
    refusal = Roots.of(target).refusal(stems_dir)
    roots = (stems_dir.resolve(),) if refusal is not None else ()
    measured = _main(target, roots, workers, Limits.of(limit or ()))
    if measured is not None:
        made.text = with_target(made.text, *measured)
        write_whole(target, made.text)
    if as_json:
        put_json(
            {"schema_version": 1, "recipe": str(target), "stems": material.stems, "presets": made.presets,
             "presets_written": written, "inside_root": refusal is None,
             "root_mark": str(marked) if marked is not None else None}
        )  # fmt: skip
        return EXIT_DONE
    put(f"wrote {target}: {len(material.stems)} stems, {len(made.presets)} presets")
    allow = ""
    if marked is not None:
        put(f"wrote {marked}, an empty mark: recipes below it may reach the files there, as this one does its stems")
    if refusal is not None:
        talk(f"note: the stems lie outside the recipe's folder; render with --allow-root {stems_dir}")
        allow = f" --allow-root {shlex.quote(str(stems_dir))}"
    if measured is None:
        talk("note: the draft could not be measured, so that its target is a guess; chainrun check says what is wrong")
    put(f"next: read it, then  chainrun render {shlex.quote(str(target))} -o out{allow}")
    return EXIT_DONE
