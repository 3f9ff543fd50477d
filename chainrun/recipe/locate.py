"""Finds line and column of keys in TOML text: tomllib keeps no positions, so a scanner finds them on demand.

It runs only if there is a problem to report, on text that tomllib has already accepted.
"""

from __future__ import annotations

from dataclasses import dataclass

from chainrun.recipe.tables import KeyPath

Position = tuple[int, int]
_BARE_END = set(" \t\r\n=.]#,}")


class _Scanner:
    def __init__(self, text: str):
        self.text, self.at = text, 0
        self.found: dict[KeyPath, int] = {}
        self.keys: list[tuple[KeyPath, int, int]] = []
        self.values: dict[KeyPath, tuple[int, int]] = {}
        self.arrays: dict[KeyPath, int] = {}

    def scan(self) -> dict[KeyPath, int]:
        prefix: KeyPath = ()
        while True:
            self._skip(newlines=True)
            if self.at >= len(self.text):
                return self.found
            if self.text[self.at] == "[":
                prefix = self._header()
            else:
                self._pair(prefix)

    def _skip(self, *, newlines: bool) -> None:
        blank = " \t\r\n" if newlines else " \t"
        while self.at < len(self.text):
            if self.text[self.at] in blank:
                self.at += 1
            elif self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                return

    def _header(self) -> KeyPath:
        double = self.text.startswith("[[", self.at)
        self.at += 2 if double else 1
        keys = self._dotted_key()
        self.at += 2 if double else 1
        path: KeyPath = ()
        for i, (key, start, end) in enumerate(keys):
            path = (*path, key)
            self._note_key(path, start, end)
            last = i == len(keys) - 1
            if path in self.arrays and not (last and double):
                path = (*path, self.arrays[path])
        if double:
            index = self.arrays.get(path, -1) + 1
            self.arrays[path] = index
            path = (*path, index)
            self.found.setdefault(path, keys[-1][1])
        return path

    def _note_key(self, path: KeyPath, start: int, end: int) -> None:
        self.found.setdefault(path, start)
        self.keys.append((path, start, end))

    def _dotted_key(self) -> list[tuple[str, int, int]]:
        keys: list[tuple[str, int, int]] = []
        while True:
            self._skip(newlines=False)
            start = self.at
            if self.text[self.at] in "\"'":
                key = self._string()
            else:
                while self.at < len(self.text) and self.text[self.at] not in _BARE_END:
                    self.at += 1
                key = self.text[start : self.at]
            keys.append((key, start, self.at))
            self._skip(newlines=False)
            if self.at < len(self.text) and self.text[self.at] == ".":
                self.at += 1
                continue
            return keys

    def _pair(self, prefix: KeyPath) -> None:
        path = prefix
        for key, start, end in self._dotted_key():
            path = (*path, key)
            self._note_key(path, start, end)
        self.at = self.text.index("=", self.at) + 1
        self._skip(newlines=False)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        start = self.at
        self._skip_value(path)
        end = self.at
        while self.text[end - 1] in " \t\r" and end > start:
            end -= 1
        self.values[path] = (start, end)

    def _skip_value(self, path: KeyPath) -> None:
        first = self.text[self.at]
        if first in "\"'":
            self._string()
        elif first == "[":
            self.at += 1
            self._members(path, "]")
        elif first == "{":
            self.at += 1
            self._members(path, "}")
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}\n#":
                self.at += 1

    def _members(self, path: KeyPath, closing: str) -> None:
        index = 0
        while True:
            self._skip(newlines=True)
            if self.text[self.at] == closing:
                self.at += 1
                return
            if self.text[self.at] == ",":
                self.at += 1
                continue
            if closing == "]":
                item = (*path, index)
                self.found.setdefault(item, self.at)
                self._value(item)
                index += 1
            else:
                self._pair(path)

    def _string(self) -> str:
        quote = self.text[self.at]
        if self.text.startswith(quote * 3, self.at):
            end = self.at + 3
            while not self.text.startswith(quote * 3, end):
                end += 2 if quote == '"' and self.text[end] == "\\" else 1
            while self.text.startswith(quote, end + 3):
                end += 1
            found = self.text[self.at + 3 : end]
            self.at = end + 3
            return found
        end = self.at + 1
        while self.text[end] != quote:
            end += 2 if quote == '"' and self.text[end] == "\\" else 1
        found = self.text[self.at + 1 : end]
        self.at = end + 1
        if quote == '"' and "\\" in found:
            import tomllib

            found = next(iter(tomllib.loads(f'"{found}" = 0')))
        return found


@dataclass(frozen=True)
class Spans:
    """Begin and end of the keys and values of a TOML text, as offsets."""

    keys: list[tuple[KeyPath, int, int]]
    """Each place where a key is written: the path up to it, begin and end."""
    values: dict[KeyPath, tuple[int, int]]


def spans(text: str) -> Spans:
    """Begin and end of all keys and values of a TOML text that a parser has accepted."""
    scanner = _Scanner(text)
    scanner.scan()
    return Spans(scanner.keys, scanner.values)


def positions(text: str) -> dict[KeyPath, Position]:
    """Line and column (from 1) of each key and array item of a TOML text."""
    found = _Scanner(text).scan()
    starts = [0]
    for i, character in enumerate(text):
        if character == "\n":
            starts.append(i + 1)
    from bisect import bisect_right

    lines = {path: bisect_right(starts, at) for path, at in found.items()}
    return {path: (line, found[path] - starts[line - 1] + 1) for path, line in lines.items()}


def nearest_position(known: dict[KeyPath, Position], path: KeyPath) -> Position | None:
    """Position of a path, or of the innermost written table around it; None if there is none."""
    while path:
        if path in known:
            return known[path]
        path = path[:-1]
    return None
