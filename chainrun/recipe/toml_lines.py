"""Slips inside one line of TOML: each kind finds them outside of quotes, and writes the line as it should be."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

from chainrun.recipe.slips import MINUS, Written, known_keys, pan_of, plain_number, ratio_of, truth_of, with_unit

IN_QUOTES = "\x00"
"""Stands for each character of a string in a masked text; comments are blanks there."""
_HIDDEN = re.compile(
    r'"""(?:[^\\]|\\.)*?"""|\'\'\'.*?\'\'\'|"(?:[^"\\\n]|\\[^\n])*(?:"|\\?(?=\n)|\\?$)|\'[^\'\n]*(?:\'|(?=\n)|$)|\#[^\n]*',
    re.DOTALL,
)
_QUOTES = "“”„‟«»″‘’‚‛´`"
_SPACES = "\u00a0\u1680\u2000-\u200a\u202f\u205f\u3000"
_NO_WIDTH = "\u200b\u200c\u200d\u2060\ufeff"
_LEAD = r"(?:=|\[|,)[ \t]*"
_END = r"(?=[ \t]*(?:[,\]}]|$))"
_ITEM = r"(?:^|(?<=[{,]))[ \t]*"
_KEY = r"[A-Za-z0-9_.-]+"
_PLAIN = r"[-+]?\d[\d_]*(?:\.\d+)?"


class Line(NamedTuple):
    """A line of TOML, and the same with strings and comments blanked."""

    raw: str
    masked: str
    inside: str = ""
    """The brackets that are open where the line begins."""


class Mended(NamedTuple):
    """The line as it should be, and what was wrong with it."""

    line: str
    start: int
    given: str
    message: str
    advice: str
    certain: bool = True
    """Whether the line can be shown as the right one."""


def masked(text: str) -> str:
    """The text, of the same length, with strings as IN_QUOTES and comments as blanks."""

    def blank(found: re.Match[str]) -> str:
        filler = " " if found[0].startswith("#") else IN_QUOTES
        return re.sub(r"[^\n]", filler, found[0])

    return _HIDDEN.sub(blank, text)


def _each(
    line: Line, pattern: str, put: Callable[[re.Match[str]], str | None], message: str, advice: str, *, flags: int = 0
) -> Mended | None:
    """Every match of the masked line replaced; `put` gives None for a match that stays."""
    parts: list[str] = []
    at, first = 0, None
    for found in re.finditer(pattern, line.masked, flags):
        new = put(found)
        if new is None:
            continue
        first = found if first is None else first
        parts += [line.raw[at : found.start()], new]
        at = found.end()
    if first is None:
        return None
    given = line.raw[first.start() : first.end()].strip(" \t=[,{:")
    start = first.start() + line.raw[first.start() : first.end()].find(given)
    return Mended("".join([*parts, line.raw[at:]]), start, given, message, advice)


def key_before(line: Line, at: int) -> str:
    """The last part of the key whose value stands at a place of the line."""
    keys = re.findall(rf"({_KEY})[ \t]*=(?!=)", line.masked[:at])
    return str(keys[-1]).rpartition(".")[2] if keys else ""


def _smart_quotes(line: Line) -> Mended | None:
    found = re.search(rf"(?:=|\[|,|\{{|:|^)[ \t]*([{_QUOTES}])", line.masked)
    straight = re.search(rf'(?:=|\[|,)[ \t]*("[^"{_QUOTES}]*[{_QUOTES}])[ \t]*(?:[,\]}}#]|$)', line.raw)
    if found is None and straight is None:
        return None
    start = found.start(1) if found is not None else straight.start(1) if straight is not None else 0
    new = line.raw[:start] + re.sub(rf"[{_QUOTES}]", '"', line.raw[start:])
    return Mended(new, start, line.raw[start : start + 1], "typographic quotes", 'quotes are straight (")')


def _smart_minus(line: Line) -> Mended | None:
    after = r"(?=[\d.i∞])"
    found = _each(line, rf"[{MINUS}][ \t]*{after}", lambda _: "-", "not a minus sign", "the minus is the hyphen -")
    if found is not None:
        return found
    message, advice = "a space after a sign", "sign and number are written together"
    return _each(line, rf"(?<=[=\[, \t])[-+][ \t]+{after}", lambda m: m[0].strip(), message, advice)


def _smart_space(line: Line) -> Mended | None:
    found = re.search(rf"[{_SPACES}{_NO_WIDTH}]", line.masked)
    if found is None:
        return None
    new = "".join(
        raw if hidden == IN_QUOTES else re.sub(f"[{_NO_WIDTH}]", "", re.sub(f"[{_SPACES}]", " ", raw))
        for raw, hidden in zip(line.raw, line.masked, strict=True)
    )
    name = f"U+{ord(found[0]):04X}"
    return Mended(new, found.start(), name, "a special space", "a plain space in its place")


def _semicolon(line: Line) -> Mended | None:
    if re.search(r";[ \t]*$", line.masked):
        return _each(line, r";[ \t]*$", lambda _: "", "a semicolon at the end", "a line ends without a sign")
    if not re.search(rf";[ \t]*(?:{_KEY}[ \t]*=|[\[{{])", line.masked):
        return None
    if line.inside or re.search(r"[\[{]", line.masked):
        return _each(line, r"[ \t]*;", lambda _: ",", "a semicolon", "a comma separates items")
    return None


def _two_keys(line: Line) -> Mended | None:
    if line.inside or re.search(r"[\[{]", line.masked):
        return None
    advice = "each key is written on a line of its own"
    found = _each(line, rf"[ \t]*[,;][ \t]*{_KEY}[ \t]*=.*$", lambda _: "", "two keys in one line", advice)
    return found._replace(certain=False) if found is not None else None


def _comment(line: Line) -> Mended | None:
    found = re.search(r"(?:^|(?<=[ \t\]}]))(//|;|/\*|--)", line.masked)
    if found is None:
        return None
    at, word = found.start(1), found[1]
    new = line.raw[:at] + "# " + line.raw[at + len(word) :].strip()
    return Mended(new, at, word, "not the sign of a comment", "a comment begins with #")


def _not_equals(line: Line) -> Mended | None:
    def put(found: re.Match[str]) -> str:
        return line.raw[found.start() : found.end(1)] + " = "

    key = rf"({_KEY}|{IN_QUOTES}+)"
    pattern = rf"{_ITEM}{key}[ \t]*(?::=?|==|=>|->)[ \t]*(?=[^ \t=])"
    return _each(line, pattern, put, "no = between key and value", "key and value have = between them")


def _no_equals(line: Line) -> Mended | None:
    def put(found: re.Match[str]) -> str:
        return line.raw[found.start() : found.end(1)] + " = "

    pattern = rf"{_ITEM}([A-Za-z_][A-Za-z0-9_.-]*)[ \t]+(?={IN_QUOTES}|[-+.]?\d|true\b|false\b|[\[{{])"
    return _each(line, pattern, put, "no = between key and value", "key and value have = between them")


def _space_in_key(line: Line) -> Mended | None:
    found = re.search(rf"{_ITEM}([A-Za-z]\w*)[ \t]+(\w+)(?=[ \t]*=)", line.masked)
    if found is None:
        return None
    joint = "" if found[1].endswith("_") or found[2].startswith("_") else "_"
    key = found[1] + joint + found[2]
    new = line.raw[: found.start(1)] + key + line.raw[found.end(2) :]
    given = line.raw[found.start(1) : found.end(2)]
    return Mended(new, found.start(1), given, "a space in a key", "a key is one word", key in known_keys())


def _ratio(line: Line) -> Mended | None:
    return _valued(line, r"\d+(?:\.\d+)?[ \t]*:[ \t]*\d+(?:\.\d+)?", ratio_of, "not a number")


def _pan(line: Line) -> Mended | None:
    sides = r"(?:\d+(?:\.\d+)?[ \t]*%?[ \t]*[LRlr]|[LRlr][ \t]*\d+(?:\.\d+)?|[A-Za-z]+)"
    return _valued(line, sides, pan_of, "not a number")


def _truth(line: Line) -> Mended | None:
    return _valued(line, r"[A-Za-z]+", truth_of, "not true or false")


def _valued(line: Line, value: str, written: Callable[[str, str], Written | None], message: str) -> Mended | None:
    """`key = VALUE` where a function knows how key and value should be written."""
    advice = ""

    def put(found: re.Match[str]) -> str | None:
        nonlocal advice
        word = found["value"].strip()
        if word in ("true", "false"):
            return None
        key = line.raw[found.start("key") : found.end("key")]
        one = written(key, word)
        if one is None:
            return None
        advice = advice or one.why
        return one.text()

    found = _each(line, rf"(?P<key>[A-Za-z0-9_-]+|{IN_QUOTES}+)[ \t]*=[ \t]*(?P<value>{value}){_END}", put, message, "")
    if found is None:
        return None
    given = found.given.partition("=")[2].strip()
    return found._replace(advice=advice, given=given, start=line.raw.index(given, line.raw.index("=", found.start)))


def _unit(line: Line) -> Mended | None:
    """A unit after a number; where the key takes another quantity, the line is not certain."""
    advice, certain, key_at = "", True, None

    def put(found: re.Match[str]) -> str | None:
        nonlocal advice, certain, key_at
        key, number, unit = found["key"] or key_before(line, found.start()), found["number"], found["unit"]
        one = with_unit(key, plain_number(number.replace("_", "")), unit)
        if one is None:
            return None
        key_at = found.start("number") if key_at is None else key_at
        advice = advice or one.why
        lead = line.raw[found.start() : found.start("number")]
        if found["key"]:
            lead = lead.replace(key, one.key, 1)
        elif one.key != key:
            certain = False
        return lead + one.value

    lead = r"(?:(?P<key>[A-Za-z0-9_-]+)[ \t]*=[ \t]*|(?:\[|,)[ \t]*)"
    pattern = rf"{lead}(?P<number>{_PLAIN})[ \t]*(?P<unit>[A-Za-z%°]+){_END}"
    found = _each(line, pattern, put, "a unit after a number", "")
    if found is None or key_at is None:
        return _foreign_unit(line, pattern)
    given = re.match(r"[^,\]}#]*", line.raw[key_at:])
    return found._replace(advice=advice, certain=certain, start=key_at, given=given[0].strip() if given else "")


def _foreign_unit(line: Line, pattern: str) -> Mended | None:
    found = re.search(pattern, line.masked)
    if found is None:
        return None
    new = line.raw[: found.end("number")] + line.raw[found.end("unit") :]
    given = line.raw[found.start("number") : found.end("unit")]
    advice = "a number is written alone, in the unit that its key names"
    return Mended(new, found.start("number"), given, "letters after a number", advice, certain=False)


def _infinity(line: Line) -> Mended | None:
    pattern = rf"(?P<lead>{_LEAD})[-+]?(?:inf(?:inity)?|∞){_END}"
    lowest = "no value is infinite: mute = true silences a stem or bus, else write the lowest value that the key takes"
    found = _each(line, pattern, lambda m: m["lead"] + "0", "not a number", lowest, flags=re.IGNORECASE)
    return found._replace(certain=False) if found is not None else None


def _decimal_comma(line: Line) -> Mended | None:
    found = _each(
        line,
        rf"(?P<lead>=[ \t]*)(?P<a>[-+]?\d+),(?P<b>\d+){_END}",
        lambda m: f"{m['lead']}{m['a']}.{m['b']}",
        "a comma in a number",
        "a decimal number has a point",
    )
    if found is not None and re.search(r"=[ \t]*[-+]?[1-9]\d{0,2},\d{3}(?!\d)", line.masked):
        advice = "a number has no comma: a point for decimals, and nothing between thousands"
        return found._replace(advice=advice, certain=False)
    return found


def _bare_point(line: Line) -> Mended | None:
    pattern = rf"(?P<lead>{_LEAD})(?P<sign>[-+]?)(?:\.(?P<after>\d+)|(?P<before>\d+)\.){_END}"

    def put(found: re.Match[str]) -> str:
        return f"{found['lead']}{found['sign']}{found['before'] or 0}.{found['after'] or 0}"

    return _each(line, pattern, put, "a number that begins or ends with its point", "digits on both sides of the point")


def _leading_zero(line: Line) -> Mended | None:
    pattern = rf"(?P<lead>{_LEAD}[-+]?)0+(?P<rest>\d+(?:\.\d+)?){_END}"
    message, advice = "a number that begins with 0", "no zeros before a number"
    return _each(line, pattern, lambda m: m["lead"] + m["rest"], message, advice)


def _letters_of_a_key(line: Line) -> Mended | None:
    pattern = rf"{_ITEM}\[{{0,2}}[\w.-]*[^\W\d_]+[\w.-]*(?=[ \t]*[=\]])"

    def put(found: re.Match[str]) -> str | None:
        return None if found[0].isascii() else re.sub(r"[^\x00-\x7f]", "-", found[0])

    found = _each(line, pattern, put, "a letter that a key cannot have", "keys and names have a to z, digits, - and _")
    return found._replace(certain=False) if found is not None else None


def _bare_word(line: Line) -> Mended | None:
    pattern = rf"(?P<lead>{_LEAD})(?P<word>[A-Za-z][\w./ *-]*?){_END}"

    def put(found: re.Match[str]) -> str | None:
        before = line.masked[: found.start()].strip()
        if found["word"] in ("true", "false", "inf", "nan") or (found["lead"].startswith("[") and not before):
            return None
        return f'{found["lead"]}"{found["word"]}"'

    return _each(line, pattern, put, "text without quotes", "text has quotes")


_NO_QUOTE = ("a quote is missing", "text has a quote on each side")


def _open_quote(line: Line) -> Mended | None:
    """A quote that is missing on one side of a text."""
    found = re.search(rf"{_LEAD}(?P<word>[^\W\d][^\"',\]}}\[{{=\n]*)\"[ \t]*(?:[,\]}}#]|$)", line.raw)
    if found is not None and IN_QUOTES not in line.masked[: found.end("word")]:
        new = line.raw[: found.start("word")] + '"' + line.raw[found.start("word") :]
        return Mended(new, found.start("word"), found["word"] + '"', *_NO_QUOTE)
    for quote in re.finditer('"', line.raw):
        start = quote.start()
        if not re.search(r"[=\[,{][ \t]*$", line.raw[:start]):
            continue
        rest = re.match(r"[^\"',\]}#=]*", line.raw[start + 1 :])
        end = start + 1 + len(rest[0].rstrip() if rest else "")
        if line.raw[end : end + 1] == '"' or end == start + 1:
            continue
        new = line.raw[:end] + '"' + line.raw[end:]
        given = line.raw[start:end]
        return Mended(new, start, given, *_NO_QUOTE)
    return None


def _backslash(line: Line) -> Mended | None:
    found = re.search(r'"[^"\n]*\\[^"\n]*"', line.raw)
    if found is None:
        return None
    new = line.raw[: found.start()] + found[0].replace("\\\\", "/").replace("\\", "/") + line.raw[found.end() :]
    return Mended(new, found.start(), found[0], "a backslash in a path", "paths have the slash /")


def _header(line: Line) -> Mended | None:
    found = re.match(r"[ \t]*(\[{0,2})[ \t]*([^\[\]=,{}]+?)[ \t]*(\]{0,2})[ \t]*$", line.masked.rstrip())
    if found is None or line.inside or not (found[1] or found[3]):
        return None
    name = line.raw[found.start(2) : found.end(2)]
    bars = max(len(found[1]), len(found[3]))
    given = line.raw.strip()
    if IN_QUOTES not in found[2] and re.search(r"\s", name):
        new = "[" * bars + re.sub(r"\s+", "-", name) + "]" * bars
        return Mended(new, found.start(2), given, "a space in a name", "a name has letters, digits, - and _", False)
    if len(found[1]) == len(found[3]):
        return None
    new = "[" * bars + name + "]" * bars
    return Mended(new, found.start(2) - len(found[1]), given, "a bracket is missing", "a table's name is in brackets")


def _no_value(line: Line) -> Mended | None:
    advice = "write a value after the =, or leave the key out"
    pattern = rf"({_KEY})[ \t]*=(?=[ \t]*(?:[,\]}}]|$))"
    found = _each(line, pattern, lambda m: m[0] + " 0", "no value", advice)
    return found._replace(certain=False) if found is not None else None


KINDS: tuple[Callable[[Line], Mended | None], ...] = (
    _smart_quotes,
    _smart_minus,
    _smart_space,
    _not_equals,
    _no_equals,
    _space_in_key,
    _ratio,
    _pan,
    _infinity,
    _decimal_comma,
    _unit,
    _truth,
    _bare_point,
    _leading_zero,
    _bare_word,
    _open_quote,
    _semicolon,
    _two_keys,
    _comment,
    _backslash,
    _header,
    _letters_of_a_key,
    _no_value,
)
"""The kinds of slips inside a line, the most certain first."""
