"""chainrun schema: the JSON Schema of recipes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from chainrun.cli.options import refuse
from chainrun.cli.terminal import put, talk
from chainrun.docs import reference
from chainrun.docs.schema import FILE_NAME, schema_text
from chainrun.errors import EXIT_DONE, EXIT_FAILED
from chainrun.problem_codes import Code
from chainrun.whole_file import write_whole


def command(
    write: Annotated[bool, typer.Option("--write", help="Write the files.")] = False,
    check: Annotated[bool, typer.Option("--check", help="Fail if a file is not current.")] = False,
    folder: Annotated[Path, typer.Option("--folder", metavar="DIR", help="Where the files stand.")] = Path("recipes"),
) -> int:
    """Print the JSON Schema of recipes; write or check it and the reference page."""
    if write and check:
        raise refuse("give --write or --check, not both", code=Code.OPTIONS_CLASH)
    text = schema_text()
    files = {folder / FILE_NAME: text, folder / reference.FILE_NAME: reference.reference_text()}
    if write:
        for path, content in files.items():
            write_whole(path, content)
        return EXIT_DONE
    if check:
        stale = [path for path, content in files.items() if not path.is_file() or path.read_text("utf-8") != content]
        for path in stale:
            talk(f"{path} is not current\n    hint: chainrun schema --write")
        return EXIT_FAILED if stale else EXIT_DONE
    put(text.rstrip("\n"))
    return EXIT_DONE
