"""chainrun schema: the JSON Schema of recipes, and the reference page."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from chainrun.cli.options import AsJson, Quiet, refuse, written
from chainrun.cli.terminal import put, put_json, talk
from chainrun.docs import reference
from chainrun.docs.schema import FILE_NAME, schema_text
from chainrun.errors import EXIT_DONE, EXIT_FAILED
from chainrun.problem_codes import Code
from chainrun.whole_file import write_whole


def command(
    out: Annotated[
        Path | None, typer.Option("--out", "-o", metavar="DIR", help="Write schema and reference into this folder.")
    ] = None,
    check: Annotated[
        Path | None, typer.Option("--check", metavar="DIR", help="Exit 1 if the files in this folder are not current.")
    ] = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Print the JSON Schema of recipes, for editors."""
    if out is not None and check is not None:
        raise refuse("-o and --check do not go together", code=Code.OPTIONS_CLASH)
    texts = {FILE_NAME: schema_text(), reference.FILE_NAME: reference.reference_text()}
    if out is not None:
        files = {out / name: text for name, text in texts.items()}
        for path, text in files.items():
            write_whole(path, text)
        if as_json:
            put_json({"schema_version": 1, "written": written(*files)})
        return EXIT_DONE
    if check is not None:
        return _check({check / name: text for name, text in texts.items()}, check, as_json=as_json)
    put(texts[FILE_NAME].rstrip("\n"))
    return EXIT_DONE


def _check(files: dict[Path, str], folder: Path, *, as_json: bool) -> int:
    stale = [path for path, text in files.items() if not path.is_file() or path.read_text("utf-8") != text]
    for path in stale:
        talk(f"{path} is not current\n    hint: chainrun schema -o {folder}")
    if as_json:
        put_json({"schema_version": 1, "stale": [str(path) for path in stale]})
    return EXIT_FAILED if stale else EXIT_DONE
