"""Rewrites the text of an older baseline with today's names; figures, sketches and comments stay as they are."""

from __future__ import annotations

from collections.abc import Mapping

from chainrun import toml_file
from chainrun.recipe.locate import spans
from chainrun.recipe.renamed import GRAMMAR
from chainrun.recipe.rewrite import Edit, NotRewritableError, edited
from chainrun.recipe.toml_text import toml_text
from chainrun.verify.old_baseline import OLD_HEAD, is_old, todays_baseline


def todays_baseline_text(text: str, chains: Mapping[str, Mapping[str, str]]) -> tuple[str, int]:
    """The text with today's names, and the number of changes.

    `chains` has for each preset the hash of its chain with today's names, by that with older names. The entry of a
    preset that is not in it is removed, since its changes are unknown. Raises NotRewritableError.
    """
    table = toml_file.parse(text)
    if not is_old(table):
        return text, 0
    found = spans(text)
    today = todays_baseline(table)
    keys = {path: (begin, end) for path, begin, end in found.keys}
    edits: list[Edit] = [
        (*keys[(OLD_HEAD,)], GRAMMAR),
        (*found.values[(OLD_HEAD,)], toml_text(today[GRAMMAR])),
    ]
    for section, values in (("settings", today.get("settings")), ("presets", _hashes(table, chains))):
        for key, value in values.items() if isinstance(values, dict) else ():
            path = (section, key)
            if value is None:
                begin = text.rfind("\n", 0, keys[path][0]) + 1
                end = text.find("\n", found.values[path][1]) + 1 or len(text)
                edits.append((begin, end, ""))
            elif value != table[section][key]:
                edits.append((*found.values[path], toml_text(value)))
    new = edited(text, edits)
    read = toml_file.parse(new)
    if is_old(read) or read.get("settings") != today.get("settings"):
        raise NotRewritableError("the baseline's settings are not written as expected")
    return new, len(edits)


def _hashes(table: Mapping[str, object], chains: Mapping[str, Mapping[str, str]]) -> dict[str, str | None]:
    """The hash of each preset's chain today; None where it is not known."""
    written = table.get("presets")
    if not isinstance(written, dict):
        return {}
    return {name: chains.get(name, {}).get(str(was)) for name, was in written.items()}
