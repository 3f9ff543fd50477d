"""chainrun explain: processors and tables in words."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated

import typer

from chainrun.cli.options import AsJson, refuse
from chainrun.cli.terminal import put, put_json
from chainrun.contract import key_owner
from chainrun.docs.changes import changes, releases_since, versions
from chainrun.docs.explain import TABLES, explain, overview, words
from chainrun.errors import EXIT_DONE, nearest
from chainrun.limits import limit_rows


def command(
    word: Annotated[str | None, typer.Argument(help="A processor, a table of a recipe, limits, or changes.")] = None,
    since: Annotated[
        str | None, typer.Argument(metavar="SINCE", help="After changes: a version; what came after it is told.")
    ] = None,
    as_json: AsJson = False,
) -> int:
    """Tell what a processor does and which keys it takes; or limits; or what is new."""
    if word is not None and word not in words():
        owner = key_owner(word)
        raise refuse(
            "there is nothing of this name to explain",
            given=word,
            allowed=", ".join(words()),
            hint=f"{owner[1]} is a key of {owner[0]!r}" if owner is not None else nearest(word, words()),
        )
    if since is not None and word != "changes":
        raise refuse("only changes take a second word", given=since, hint=f"chainrun explain {word}")
    if since is not None and since not in versions():
        raise refuse(
            "the list of changes does not know this version",
            given=since,
            allowed=", ".join(versions()),
            hint=nearest(since, versions()),
        )
    if word == "changes":
        if as_json:
            put_json({"schema_version": 1, "changes": [asdict(one) for one in releases_since(since)]})
        else:
            put(changes(since))
        return EXIT_DONE
    if as_json:
        from chainrun.contract import processors
        from chainrun.contract.parameters import parameters

        known = {**TABLES, **processors()}
        if word == "limits":
            put_json(
                {
                    "schema_version": 1,
                    "limits": [dict(zip(("name", "usual", "unit", "about"), row, strict=True)) for row in limit_rows()],
                }
            )
            return EXIT_DONE
        chosen = [word] if word is not None else list(known)
        told = {
            one: {
                "about": (known[one].__doc__ or "").strip(),
                "keys": [
                    {"key": p.key, "unit": p.unit, "allowed": p.allowed, "default": p.default, "help": p.help}
                    for p in parameters(known[one])
                ],
            }
            for one in chosen
        }
        put_json({"schema_version": 1, "words": told})
        return EXIT_DONE
    put(overview() if word is None else explain(word))
    return EXIT_DONE
