"""Finds slips in invalid TOML by correcting them: a correction counts only if the parser then gets past the line.

So a hint is never a guess from a pattern alone, and several slips of one file are reported together.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass

from chainrun import toml_file
from chainrun.recipe.toml_lines import KINDS, Line, masked

MAX_SLIPS = 20
"""Slips that are reported of one file."""
MAX_TRIES = 120
"""Corrections that are tried for one file."""
MAX_WORK = 6_000_000
"""Characters that are parsed for it."""
MAX_DEPTH = 3
"""Slips in one line."""
MAX_LINE = 2000
"""Characters of a line that is searched for slips: people write no longer ones."""
MAX_GIVEN = 60
MAX_SHOWN = 100
"""Characters of a line that is shown."""
_PAIRS = {"[": "]", "{": "}"}
_KEY = r"[A-Za-z0-9_.-]+"


@dataclass(frozen=True)
class Slip:
    """One slip in a TOML text: where it is, what is wrong, and what to write."""

    message: str
    hint: str
    line: int
    column: int
    given: str | None = None


@dataclass(frozen=True)
class _Mending:
    """A text with one correction."""

    text: str
    at: int
    """Where the slip is, in the text before it."""
    message: str
    advice: str
    given: str | None = None
    certain: bool = True
    past: int | None = None
    """The place in the text before it that the parser must get past; else the line's end."""


class _Tries:
    """Parses texts, as many as one file may cost."""

    def __init__(self, text: str):
        self.left = min(MAX_TRIES, MAX_WORK // max(1, len(text)))
        self.seen: set[str] = set()

    def error_at(self, text: str) -> int | None:
        """Offset at which a text stops being TOML; None if it is valid."""
        self.left -= 1
        self.seen.add(text)
        try:
            toml_file.parse(text)
        except toml_file.TooDeepError:
            return 0
        except tomllib.TOMLDecodeError as error:
            return offset_of(text, error)
        return None

    def may(self, text: str) -> bool:
        """Whether this text may still be tried."""
        return self.left > 0 and text not in self.seen


def place_of_error(text: str, error: tomllib.TOMLDecodeError) -> tuple[int, int]:
    """Line and column, from 1, at which a text stops being TOML."""
    # Python 3.14 has the place as numbers; before, the error's text is all that says where. It decides nothing else.
    found = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
    line, column = (int(found[1]), int(found[2])) if found else (text.count("\n") + 1, 1)
    return getattr(error, "lineno", line), getattr(error, "colno", column)


def offset_of(text: str, error: tomllib.TOMLDecodeError) -> int:
    """Offset at which a text stops being TOML; the text's length for its end."""
    if str(error).endswith("(at end of document)"):
        return len(text)
    line, column = place_of_error(text, error)
    start = 0
    for _ in range(line - 1):
        start = text.find("\n", start) + 1
    return min(len(text), start + column - 1)


def slips(text: str, error: tomllib.TOMLDecodeError) -> list[Slip]:
    """The slips of an invalid text, in order, up to the first place that no correction gets the parser past."""
    text = text.replace("\r\n", "\n")
    tries = _Tries(text)
    found: list[Slip] = []
    at: int | None = offset_of(text, error)
    while at is not None and len(found) < MAX_SLIPS:
        mendings = _twice(text, at, tries) or _search(text, at, tries)
        if not mendings:
            break
        found.append(_slip(text, mendings))
        text = mendings[-1].text
        at = tries.error_at(text)
    return found


def where_to_look(text: str, error: tomllib.TOMLDecodeError) -> str | None:
    """A hint for a slip that was not found: the bracket that is open where the text stops being TOML."""
    text = text.replace("\r\n", "\n")
    at = offset_of(text, error)
    opened = _open_brackets(masked(text)[:at])
    if not opened:
        return None
    first = min(opened, key=lambda one: one[1])
    line = _line(text, first[1])
    if line == _line(text, min(at, len(text.rstrip()))):
        return None
    return f"look at the {first[0]} of line {line}: is it closed, and is a comma between its items?"


def _slip(text: str, mendings: list[_Mending]) -> Slip:
    first = mendings[0]
    line, column = _line(text, first.at), first.at - text.rfind("\n", 0, first.at)
    advice = "; ".join(dict.fromkeys(one.advice for one in mendings))
    if all(one.certain for one in mendings):
        new = mendings[-1].text.split("\n")[line - 1]
        advice += f": {_around(new, column - 1)}"
    given = first.given
    if given is not None and len(given) > MAX_GIVEN:
        given = given[: MAX_GIVEN - 1] + "…"
    return Slip(first.message, advice, line, column, given)


def _around(line: str, at: int) -> str:
    """A line, or the part of it around a place if it is long."""
    if len(line.strip()) <= MAX_SHOWN:
        return line.strip()
    begin = max(0, at - MAX_SHOWN // 2)
    begin = line.find(" ", begin, at) + 1 if begin and line.find(" ", begin, at) >= 0 else begin
    cut = line[begin : begin + MAX_SHOWN]
    return f"{'…' if begin else ''}{cut.strip()}{'…' if begin + MAX_SHOWN < len(line) else ''}"


def _search(text: str, at: int, tries: _Tries) -> list[_Mending]:
    """The corrections that let the parser get past the line where it stopped; empty if none are found."""
    frontier: list[tuple[str, int, list[_Mending], int]] = [(text, at, [], len(text) - _line_end(text, at))]
    for _ in range(MAX_DEPTH):
        further = []
        for here, stopped, before, rest in frontier:
            for one in _mendings(here, stopped):
                if not tries.may(one.text):
                    continue
                needed = rest if one.past is None else min(rest, len(here) - one.past)
                then = tries.error_at(one.text)
                if then is None or len(one.text) - then < needed:
                    return [*before, one]
                if len(one.text) - then < len(here) - stopped:
                    further.append((one.text, then, [*before, one], needed))
        frontier = further
    return []


def _mendings(text: str, at: int) -> Iterator[_Mending]:
    """Every correction that may be tried where the parser stopped, the most certain first."""
    hidden = masked(text)
    if at >= len(text):
        at = len(text.rstrip())
    start, end = text.rfind("\n", 0, at) + 1, _line_end(text, at)
    inside = "".join(bracket for bracket, _ in _open_brackets(hidden[:start]))
    line = Line(text[start:end], hidden[start:end], inside)
    for kind in KINDS if end - start <= MAX_LINE else ():
        found = kind(line)
        if found is not None and found.line != line.raw:
            yield _Mending(
                text[:start] + found.line + text[end:],
                start + found.start,
                found.message,
                found.advice,
                found.given or None,
                found.certain,
            )
    yield from _wrapped(text, hidden, at)
    yield from _comma_too_many(text, hidden, at)
    yield from _too_little(text, hidden, at)
    yield from _wrong_bracket(text, hidden, at)


def _wrapped(text: str, hidden: str, at: int) -> Iterator[_Mending]:
    """An inline table over several lines, put on one."""
    opened = [one for one in _open_brackets(hidden[:at]) if one[0] == "{"]
    for _, start in opened[:1]:
        end = _closing(hidden, start)
        if end is None or "\n" not in hidden[start:end]:
            return
        parts = _lines_without_comments(text[start : end + 1], hidden[start : end + 1])
        joined = re.sub(r",\s*\}$", " }", " ".join(part for part in parts if part))
        lines = text.count("\n", start, end)
        after = _line_end(text, end)
        new = text[:start] + joined + text[end + 1 : after] + "\n" * lines + text[after:]
        table = _table_of(text, hidden, start)
        advice = f"write it on one line, or as {table} with one key on each line" if table else "write it on one line"
        line = text[text.rfind("\n", 0, start) + 1 : start] + joined
        yield _Mending(
            new,
            start,
            "a table in { } goes over several lines",
            advice,
            certain=len(line.strip()) <= MAX_SHOWN,
            past=_line_end(text, end),
        )


def _lines_without_comments(text: str, hidden: str) -> list[str]:
    pairs = zip(text.split("\n"), hidden.split("\n"), strict=True)
    return [line[: len(part.rstrip())].strip() for line, part in pairs]


def _table_of(text: str, hidden: str, start: int) -> str | None:
    """The header under which an inline table may be written key by key, as `[[stems.kick.chain]]`."""
    headers = list(re.finditer(r"^[ \t]*\[{1,2}([^\[\]\n]+)\]{1,2}[ \t]*$", hidden[:start], re.MULTILINE))
    within = _open_brackets(hidden[:start])
    before = hidden[: within[0][1]] if within else hidden[:start]
    key = re.search(rf"({_KEY})[ \t]*=\s*$", before[-MAX_SHOWN:])
    if key is None or len(within) > 1:
        return None
    path = f"{text[headers[-1].start(1) : headers[-1].end(1)].strip()}.{key[1]}" if headers else key[1]
    return f"[[{path}]]" if within else f"[{path}]"


def _comma_too_many(text: str, hidden: str, at: int) -> Iterator[_Mending]:
    before = _content_end(hidden, at)
    if hidden[before - 1 : before] == ",":
        message = "a comma too many"
        yield _Mending(text[: before - 1] + text[before:], before - 1, message, "no comma here", ",")


def _wrong_bracket(text: str, hidden: str, at: int) -> Iterator[_Mending]:
    """The wrong bracket, or a sign too many, where the parser stopped."""
    sign = hidden[at : at + 1]
    opened = _open_brackets(hidden[:at])
    if sign and sign in "]}" and opened and _PAIRS[opened[-1][0]] != sign:
        right = _PAIRS[opened[-1][0]]
        message, advice = "the wrong bracket", f"{opened[-1][0]} is closed by {right}"
        yield _Mending(text[:at] + right + text[at + 1 :], at, message, advice, sign)
    if sign and sign in "]},":
        name = "comma" if sign == "," else "bracket"
        yield _Mending(text[:at] + text[at + 1 :], at, f"a {name} too many", f"no {name} here", sign)


def _too_little(text: str, hidden: str, at: int) -> Iterator[_Mending]:
    """A comma or closing brackets that are missing before the place where the parser stopped."""
    start = text.rfind("\n", 0, at) + 1
    places = (start,) if hidden[start:at].strip(" \t[") == "" else (at, start)
    points = dict.fromkeys(_content_end(hidden, one) for one in places)
    for point in points:
        opened = _open_brackets(hidden[:point])
        if opened and hidden[point - 1 : point] not in ("", ",", "[", "{"):
            advice = "a comma is between two items"
            yield _Mending(text[:point] + "," + text[point:], point, "a comma is missing", advice)
    for point in points:
        opened = _open_brackets(hidden[:point])
        for n in range(1, min(4, len(opened)) + 1):
            closers = "".join(_PAIRS[bracket] for bracket, _ in reversed(opened[-n:]))
            outer = opened[-n - 1][0] if len(opened) > n else ""
            bracket, where = opened[-n]
            of = "" if _line(text, where) == _line(text, point) else f" of line {_line(text, where)}"
            message, advice = f"the {bracket}{of} is not closed", f"write {_spoken(closers)} here"
            next_sign = hidden[point:].lstrip()[:1]
            gap = " " if text[where + 1 : where + 2].isspace() else ""
            for ending in [",", ""] if outer and next_sign not in "]}" else [""]:
                yield _Mending(text[:point] + gap + closers + ending + text[point:], point, message, advice)


def _spoken(closers: str) -> str:
    return " and ".join(closers)


def _twice(text: str, at: int, tries: _Tries) -> list[_Mending]:
    """A table or key that is written twice, if the parser gets past it once the second has another name."""
    hidden = masked(text)
    at = min(at, len(text.rstrip()))
    start, end = text.rfind("\n", 0, at) + 1, _line_end(text, at)
    if end - start > MAX_LINE:
        return []
    rest = len(text) - end
    header = re.match(r"[ \t]*(\[(\[)?)[ \t]*([^\[\]\n]+?)[ \t]*\](?(2)\])[ \t]*$", hidden[start:end])
    candidates = (
        [_table_twice(text, hidden, start, header)] if header is not None else _keys_twice(text, hidden, start, end)
    )
    for one in candidates:
        if one is None or not tries.may(one.text):
            continue
        then = tries.error_at(one.text)
        if then is None or (then > at and len(one.text) - then < rest):
            return [one]
    return []


def _table_twice(text: str, hidden: str, start: int, header: re.Match[str]) -> _Mending | None:
    name = text[start + header.start(3) : start + header.end(3)]
    bars = header[1]
    parent, _, last = name.rpartition(".")
    first = re.search(rf"^[ \t]*(\[{{1,2}})[ \t]*{re.escape(name)}[ \t]*\]", text[:start], re.MULTILINE)
    as_key = None
    if first is None:
        section = re.search(rf"^[ \t]*\[[ \t]*{re.escape(parent)}[ \t]*\]", text[:start], re.MULTILINE)
        begin = section.end() if section is not None else 0
        as_key = re.search(rf"^[ \t]*{re.escape(last)}[ \t]*=", hidden[begin:start], re.MULTILINE)
        if as_key is None:
            return None
        line = _line(text, begin + as_key.end())
        advice = f"{last} is written in line {line} already: write all of it in one of the two forms"
    else:
        line = _line(text, first.end())
        if last in ("chain", "bands", "deliver", "branches") and "[" in (bars, first[1]):
            advice = f"each item has double brackets: [[{name}]]"
        else:
            advice = f"[{name}] is in line {line} already: all its keys are written there"
    new = text[:start] + f"{bars}zz-{start}{']' * len(bars)}" + text[_line_end(text, start) :]
    shown = f"{bars}{name}{']' * len(bars)}"
    return _Mending(new, start + header.start(1), "a table is written twice", advice, shown, certain=False)


def _keys_twice(text: str, hidden: str, start: int, end: int) -> Iterator[_Mending]:
    section = 0
    for found in re.finditer(r"^[ \t]*\[{1,2}[^\[\]\n=]+\]{1,2}[ \t]*$", hidden[:start], re.MULTILINE):
        section = found.end()
    for found in list(re.finditer(rf"({_KEY})[ \t]*=(?!=)", hidden[start:end]))[:20]:
        key = found[1]
        before = hidden[section : start + found.start()]
        first = re.search(rf"(?:^|[{{,])[ \t]*{re.escape(key)}[ \t]*=(?!=)", before, re.MULTILINE)
        if first is None:
            continue
        where = _line(text, section + first.end() - 1)
        here = "this line" if where == _line(text, start) else f"line {where}"
        new = text[: start + found.start(1)] + f"zz-{start}-{found.start()}" + text[start + found.end(1) :]
        advice = f"{key} is in {here} already: keep one of the two"
        yield _Mending(new, start + found.start(1), "a key is written twice", advice, key, certain=False)


def _line(text: str, at: int) -> int:
    return text.count("\n", 0, at) + 1


def _line_end(text: str, at: int) -> int:
    end = text.find("\n", at)
    return len(text) if end < 0 else end


def _content_end(hidden: str, at: int) -> int:
    """The end of what is written before a place, without blanks and comments."""
    return len(hidden[:at].rstrip())


def _open_brackets(hidden: str) -> list[tuple[str, int]]:
    """The brackets that are open at the end of a masked text, outermost first. Headers close themselves."""
    opened: list[tuple[str, int]] = []
    for found in re.finditer(r"[\[\]{}]", hidden):
        if found[0] in _PAIRS:
            opened.append((found[0], found.start()))
        elif opened and _PAIRS[opened[-1][0]] == found[0]:
            opened.pop()
    return opened


def _closing(hidden: str, start: int) -> int | None:
    """The bracket that closes the one at `start`; None if another kind comes first."""
    opened: list[str] = []
    for found in re.finditer(r"[\[\]{}]", hidden[start:]):
        if found[0] in _PAIRS:
            opened.append(found[0])
        elif _PAIRS[opened[-1]] != found[0]:
            return None
        else:
            opened.pop()
        if not opened:
            return start + found.start()
    return None
