"""chainrun explain: processors, tables, limits, errors and changes in words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import Annotated

import typer
from pydantic import BaseModel

from chainrun.cli.options import AsJson, Quiet, refuse
from chainrun.cli.terminal import put, put_json
from chainrun.contract import processors
from chainrun.contract.parameters import Parameter, parameters
from chainrun.docs.changes import changes, releases_since, versions
from chainrun.docs.explain import error_rows, explain, nearest_words, overview, words
from chainrun.docs.old_names import old_names
from chainrun.docs.tables import BASELINE, TABLES, inner_tables
from chainrun.errors import EXIT_CODES, EXIT_DONE, nearest
from chainrun.limits import limit_rows
from chainrun.problem_codes import Code


def command(
    word: Annotated[
        str | None,
        typer.Argument(
            metavar="WORD",
            help="A processor, a table of a recipe, limits, errors or changes. Default: list the processors.",
        ),
    ] = None,
    since: Annotated[
        str | None, typer.Argument(metavar="SINCE", help="After `changes`: a version; shows what is newer.")
    ] = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Explain processors, tables, limits, errors or changes."""
    if word is not None and word not in words():
        raise refuse(
            "nothing of this name can be explained",
            given=word,
            allowed=", ".join(words()),
            hint=nearest_words(word),
            code=Code.UNKNOWN_WORD,
        )
    if since is not None and word != "changes":
        raise refuse(
            "only `explain changes` takes a second word",
            given=since,
            hint=f"chainrun explain {word}",
            code=Code.UNKNOWN_WORD,
        )
    if since is not None and since not in versions():
        raise refuse(
            "this version is not in the list of changes",
            given=since,
            allowed=", ".join(versions()),
            hint=nearest(since, versions()),
            code=Code.UNKNOWN_WORD,
        )
    if word == "changes":
        if as_json:
            put_json({"schema_version": 1, "changes": [asdict(one) for one in releases_since(since)]})
        else:
            put(changes(since))
        return EXIT_DONE
    if as_json:
        _put_json(word)
        return EXIT_DONE
    put(overview() if word is None else explain(word))
    return EXIT_DONE


def _put_json(word: str | None) -> None:
    """Write the explanation as JSON: limits, errors, or the keys of processors and tables."""
    if word == "limits":
        limits = [dict(zip(("name", "usual", "unit", "about"), row, strict=True)) for row in limit_rows()]
        put_json({"schema_version": 1, "limits": limits})
        return
    if word == "errors":
        exit_codes = [{"exit_code": number, "about": about} for number, about in EXIT_CODES.items()]
        errors = [{"code": code, "about": about} for code, about in error_rows()]
        put_json({"schema_version": 1, "exit_codes": exit_codes, "errors": errors})
        return
    if word == "renamed":
        put_json({"schema_version": 1, "renamed": [one.record() for one in old_names()]})
        return
    if word == "baseline":
        put_json({"schema_version": 1, "words": {"baseline": {"about": BASELINE, "keys": [], "tables": []}}})
        return
    known: dict[str, type[BaseModel]] = {**TABLES, **processors()}
    explained = {
        one: {
            "about": (known[one].__doc__ or "").strip(),
            "keys": _keys(parameters(known[one])),
            "tables": [
                {"in": inner.key, "kinds": list(inner.kinds), "keys": _keys(inner.keys)}
                for inner in inner_tables(parameters(known[one]))
            ],
        }
        for one in ([word] if word is not None else known)
    }
    put_json({"schema_version": 1, "words": explained})


def _keys(found: Iterable[Parameter]) -> list[dict[str, str]]:
    return [{"key": p.key, "unit": p.unit, "allowed": p.allowed, "default": p.default, "help": p.help} for p in found]
