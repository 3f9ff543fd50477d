"""chainrun draft: a first recipe for a folder of stems."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.options import AsJson, LimitWords, Workers
from chainrun.cli.terminal import put, put_json, talk
from chainrun.errors import EXIT_DONE
from chainrun.limits import Limits

if TYPE_CHECKING:
    from chainrun.survey.write_draft import WrittenDraft


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
    from chainrun.survey.write_draft import write_draft

    made = write_draft(stems_dir, out, workers=workers, limits=Limits.of(limit or ()))
    if as_json:
        put_json(made.record())
    else:
        _show(made, stems_dir)
    return EXIT_DONE


def _show(made: WrittenDraft, stems_dir: Path) -> None:
    put(f"wrote {made.recipe}: {len(made.stems)} stems, {len(made.presets)} presets")
    allow = ""
    if made.root_mark is not None:
        told = "an empty mark: recipes below it may reach the files there, as this one does its stems"
        put(f"wrote {made.root_mark}, {told}")
    if not made.inside_root:
        talk(f"note: the stems lie outside the recipe's folder; render with --allow-root {stems_dir}")
        allow = f" --allow-root {shlex.quote(str(stems_dir))}"
    if not made.measured:
        talk("note: the draft could not be measured, so that its target is a guess; chainrun check says what is wrong")
    put(f"next: read it, then  chainrun render {shlex.quote(str(made.recipe))} -o out{allow}")
