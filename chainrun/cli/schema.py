"""chainrun schema: the JSON Schema of recipes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from chainrun.cli.options import refuse
from chainrun.cli.terminal import put, talk
from chainrun.docs.schema import FILE_NAME, schema_text
from chainrun.errors import EXIT_DONE, EXIT_FAILED, Problem, ResourceError


def command(
    write: Annotated[bool, typer.Option("--write", help="Write the file.")] = False,
    check: Annotated[bool, typer.Option("--check", help="Fail if the file is not current.")] = False,
    folder: Annotated[Path, typer.Option("--folder", metavar="DIR", help="Where the file stands.")] = Path("recipes"),
) -> int:
    """Print, write or check the JSON Schema of recipes, for editors."""
    if write and check:
        raise refuse("give --write or --check, not both")
    path, text = folder / FILE_NAME, schema_text()
    if write:
        try:
            path.write_text(text, encoding="utf-8")
        except OSError as error:
            raise ResourceError(Problem(f"the file could not be written ({error.strerror})", file=str(path))) from error
        return EXIT_DONE
    if check:
        if path.is_file() and path.read_text(encoding="utf-8") == text:
            return EXIT_DONE
        talk(f"{path} is not current\n    hint: chainrun schema --write")
        return EXIT_FAILED
    put(text.rstrip("\n"))
    return EXIT_DONE
