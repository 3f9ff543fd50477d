"""Rewrites a TOML text with today's names: only what was renamed changes; comments, order and layout stay."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from pathlib import Path

from chainrun import toml_file
from chainrun.recipe.locate import Spans, spans
from chainrun.recipe.redirects import Redirect, apply, changed, find
from chainrun.recipe.renamed import OLD_HEADS, AsTable, Change, FileKind, PerCent
from chainrun.recipe.tables import Items, KeyPath, Place, plain, wrap
from chainrun.recipe.toml_text import toml_text

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_NUMBER = re.compile(r"[+-]?[0-9][0-9_.eE+-]*")
Edit = tuple[int, int, str]
"""Begin, end and the text that goes in between."""


class NotRewritableError(Exception):
    """The text cannot be rewritten so that it means the same; the message says where."""


def todays_text(text: str, kind: FileKind) -> tuple[str, int]:
    """The text with today's names, and how many places changed.

    Raises tomllib.TOMLDecodeError for text that is not TOML, NotRewritableError where the result would not mean the
    same.
    """
    root = wrap(toml_file.parse(text), Place(Path()))
    head = OLD_HEADS.get(kind)
    if head in root and (root[head] != 1 or isinstance(root[head], bool)):
        raise NotRewritableError(f"version {toml_text(root[head])} of the grammar is not known")
    redirects = find(root, kind)
    if not redirects:
        return text, 0
    found = spans(text)
    edits = [edit for one in redirects for edit in _edits(text, found, one)]
    apply(redirects)
    new = edited(text, edits)
    try:
        same = _same(toml_file.parse(new), plain(root))
    except ValueError:
        same = False
    if not same:
        raise NotRewritableError("the names cannot be changed without changing something else in the text")
    return new, len(redirects)


def edited(text: str, edits: Iterable[Edit]) -> str:
    """The text with all edits made; they do not overlap."""
    for begin, end, words in sorted(edits, reverse=True):
        text = text[:begin] + words + text[end:]
    return text


def _same(one: object, other: object) -> bool:
    """Whether two values of TOML are equal; nan equals nan."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    if isinstance(one, float) and isinstance(other, float) and math.isnan(one):
        return math.isnan(other)
    return one == other


def _edits(text: str, found: Spans, one: Redirect) -> list[Edit]:
    path = one.place.path
    if one.missing is not None:
        return [_insertion(text, found, path, *one.missing)]
    edits: list[Edit] = []
    if one.new is not None:
        edits += [(begin, end, _key(text[begin:end], one.new)) for at, begin, end in found.keys if at == path]
    if one.change is not None:
        if path not in found.values:
            raise NotRewritableError(f"{'.'.join(map(str, path))} is a table of its own")
        edits += _value(text, found, path, one)
    return edits


def _key(written: str, new: str) -> str:
    """A key's token with another name, quoted as it was."""
    if written[0] in "\"'":
        return f"{written[0]}{new}{written[0]}"
    return new if _BARE.fullmatch(new) else f'"{new}"'


def _value(text: str, found: Spans, path: KeyPath, one: Redirect) -> list[Edit]:
    begin, end = found.values[path]
    value = one.container[one.key]  # type: ignore[index]
    if isinstance(one.change, AsTable):
        return [(begin, end, _as_table(text, found, path, one.change))]
    if isinstance(one.change, PerCent) and isinstance(value, Items):
        places = [found.values[(*path, i)] for i in range(len(value))]
        return [(at, to, _per_cent(text[at:to], one.change)) for at, to in places]
    if isinstance(one.change, PerCent):
        return [(begin, end, _per_cent(text[begin:end], one.change))]
    new = changed(value, one.change)
    if isinstance(new, str) and text[begin] == "'":
        return [(begin, end, f"'{new}'")]
    return [(begin, end, toml_text(new))]


def _as_table(text: str, found: Spans, path: KeyPath, change: AsTable) -> str:
    begin, end = found.values[path]
    inner = [(begin, end)] if len(change.keys) == 1 else [found.values[(*path, i)] for i in range(len(change.keys))]
    if "#" in text[begin:end]:
        raise NotRewritableError(f"a comment is inside {'.'.join(map(str, path))}")
    pairs = [f"{key} = {text[at:to].strip()}" for key, (at, to) in zip(change.keys, inner, strict=True)]
    pairs += [f"{key} = {toml_text(word)}" for key, word in change.more]
    return f"{{ {', '.join(pairs)} }}"


def _per_cent(written: str, change: Change) -> str:
    if _NUMBER.fullmatch(written) is None:
        return written
    return repr(changed(float(written.replace("_", "")), change))


def _insertion(text: str, found: Spans, path: KeyPath, key: str, value: str) -> Edit:
    """A new key of a table: after its `do`, else before its first key."""
    words = f"{key} = {toml_text(value)}"
    inside = [(begin, end, at) for at, begin, end in found.keys if at[:-1] == path]
    if not inside:
        raise NotRewritableError(f"{'.'.join(map(str, path))} has no key beside which {key} could be put")
    is_inline = path in found.values
    do = (*path, "do")
    if do in found.values and is_inline:
        end = found.values[do][1]
        return end, end, f", {words}"
    beside = next((begin for begin, _, at in inside if at == do), min(inside)[0])
    if is_inline:
        return beside, beside, f"{words}, "
    line_begin = text.rfind("\n", 0, beside) + 1
    indent = text[line_begin:beside] if not text[line_begin:beside].strip() else ""
    line_end = text.find("\n", found.values[do][1]) if do in found.values else line_begin - 1
    line_break = "\r\n" if "\r\n" in text else "\n"
    if line_end < 0 and do in found.values:
        return len(text), len(text), f"{line_break}{indent}{words}{line_break}"
    return line_end + 1, line_end + 1, f"{indent}{words}{line_break}"
