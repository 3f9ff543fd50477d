"""chainrun draft: a first recipe for a folder of stems."""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import Annotated

import typer

from chainrun.cli.options import AsJson, LimitWords, Workers, refuse
from chainrun.cli.terminal import put, put_json, talk
from chainrun.errors import EXIT_DONE
from chainrun.limits import Limits


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
    from chainrun.engine.crew import processors_here
    from chainrun.recipe.roots import Roots
    from chainrun.survey.channels import of_folder
    from chainrun.survey.draft import draft
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
    refusal = Roots.of(target).refusal(stems_dir)
    if as_json:
        put_json(
            {"schema_version": 1, "recipe": str(target), "stems": material.stems, "presets": made.presets,
             "presets_written": written, "inside_root": refusal is None}
        )  # fmt: skip
        return EXIT_DONE
    put(f"wrote {target}: {len(material.stems)} stems, {len(made.presets)} presets")
    allow = ""
    if refusal is not None:
        talk(f"note: the stems lie outside the recipe's folder; render with --allow-root {stems_dir}")
        allow = f" --allow-root {shlex.quote(str(stems_dir))}"
    put(f"next: read it, then  chainrun render {shlex.quote(str(target))} -o out{allow}")
    return EXIT_DONE
