"""chainrun draft: a first recipe for a folder of stems."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.options import AsJson, LimitWords, Quiet, Workers, limits_of, written
from chainrun.cli.terminal import note, put, put_json
from chainrun.errors import EXIT_DONE

if TYPE_CHECKING:
    from chainrun.survey.write_draft import WrittenDraft


def command(
    stems_dir: Annotated[Path, typer.Argument(metavar="FOLDER", help="A folder of audio files.", show_default=False)],
    write: Annotated[
        Path | None,
        typer.Option("--write", metavar="FILE", help="The new recipe. Default: FOLDER/NAME.recipe.toml."),
    ] = None,
    workers: Workers = None,
    limit: LimitWords = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Write a first recipe for a folder of stems.

    It sets roles, polarity, gates, pans and faders, and explains each choice in a comment.
    """
    from chainrun.survey.write_draft import write_draft

    made = write_draft(stems_dir, write, workers=workers, limits=limits_of(limit))
    if as_json:
        presets = [made.recipe.parent / "presets" / f"{name}.preset.toml" for name in made.presets_written]
        put_json({**made.record(), "written": written(made.recipe, *presets, made.root_mark)})
    else:
        _show(made, stems_dir)
    return EXIT_DONE


def _show(made: WrittenDraft, stems_dir: Path) -> None:
    put(f"wrote {made.recipe}: {len(made.stems)} stems, {len(made.presets)} presets")
    allow = ""
    if made.root_mark is not None:
        put(f"wrote {made.root_mark}, an empty file: recipes below this folder may read all files in it")
    if not made.inside_root:
        note(f"the stems are outside the recipe's folder; render with --allow-root {stems_dir}")
        allow = f" --allow-root {shlex.quote(str(stems_dir))}"
    if not made.measured:
        note("the draft could not be rendered, so its target is a guess; chainrun check says what is wrong")
    put(f"next: read it, then  chainrun render {shlex.quote(str(made.recipe))} -o out{allow}")
