"""Stems and their files: reads headers, checks that both fit each other, describes the inputs of chains."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from chainrun.audiofile import Header, read_header
from chainrun.errors import AudioError, ChainrunError, Problem, RecipeError, shown, shown_path
from chainrun.plan.nodes import FilePart, StemInput
from chainrun.problem_codes import Code
from chainrun.recipe import Opened, Stem
from chainrun.recipe.problems import Problems
from chainrun.recipe.tables import KeyPath, place_of

Hash = Callable[[Path], str]
Value = TypeVar("Value")


class SessionStems:
    """Stems of a session before their chains: headers, inputs, working rate, length.

    Raises RecipeError or AudioError, with all problems, for stems that cannot be used.
    """

    def __init__(self, opened: Opened, problems: Problems, hash_file: Hash | None):
        self._opened, self._problems, self._hash_file = opened, problems, hash_file
        self.notes: list[str] = []
        """Notes on the stems: conversions, differing lengths."""
        self.headers = self._read_headers()
        self.rate_hz = opened.recipe.rate_hz or self._commonest_rate()
        self.inputs = {name: self._input(name) for name in opened.recipe.stems}
        self.session_s = max(self._end_s(name) for name in opened.recipe.stems)

    def _read_headers(self) -> dict[str, list[Header]]:
        opened, found = self._opened, dict[str, list[Header]]()
        bad: list[Problem] = []
        if not opened.stems_dir.is_dir():
            message = "there is no such folder" if not opened.stems_dir.exists() else "this is not a folder"
            where = ("stems_dir",) if "stems_dir" in opened.table else ()
            raise AudioError(
                problem_at(
                    opened,
                    self._problems,
                    where,
                    Problem(message, code=Code.FOLDER_NOT_FOUND),
                    shown_path(opened.stems_dir),
                )
            )
        for name in opened.recipe.stems:
            headers = []
            for path in opened.stem_files(name):
                try:
                    headers.append(read_header(path, opened.limits))
                except ChainrunError as error:
                    bad += [self._at(("stems", name, "file"), problem, shown_path(path)) for problem in error.problems]
            found[name] = headers
            if len(headers) == len(opened.stem_files(name)):
                problems, notes = unfit_files(opened.recipe.stems[name], headers)
                self.notes += [f"{name}: {note}" for note in notes]
                bad += [self._at(("stems", name, key), problem) for key, problem in problems]
        if bad:
            if self._problems.errors:
                raise RecipeError([*self._problems.errors, *bad])
            raise AudioError(bad)
        self._problems.stop_if_any()
        return found

    def _at(self, path: KeyPath, problem: Problem, given: str | None = None) -> Problem:
        return problem_at(self._opened, self._problems, path, problem, given)

    def _commonest_rate(self) -> int:
        counts = Counter(header.rate_hz for headers in self.headers.values() for header in headers)
        return max(counts, key=lambda rate: (counts[rate], rate))

    def _input(self, name: str) -> StemInput:
        stem, headers = self._opened.recipe.stems[name], self.headers[name]
        n_channels = channels_of(stem, headers)
        parts = tuple(self._part(stem, headers, i) for i in range(n_channels))
        rate = headers[0].rate_hz
        if rate != self.rate_hz:
            self.notes.append(f"{name}: converted from {rate} to {self.rate_hz} Hz")
        return StemInput(parts, rate, stem.at_s, stem.from_s, stem.to_s, n_channels)

    def _part(self, stem: Stem, headers: list[Header], i: int) -> FilePart:
        header = headers[i if len(headers) == 2 else 0]
        if stem.shift_ms is not None:
            shift = float(_side(stem.shift_ms, i)) * self.rate_hz / 1000.0
        else:
            shift = float(_side(stem.shift_samples, i)) if stem.shift_samples is not None else 0.0
        return FilePart(
            path=str(Path(header.path).absolute()),
            content=self._hash_file(Path(header.path)) if self._hash_file is not None else "",
            n_channels=header.n_channels,
            channel=stem.channel - 1 if stem.channel is not None else (0 if len(headers) == 2 else i),
            trim_db=float(_side(stem.trim_db, i)),
            invert=bool(_side(stem.invert, i)),
            shift_frames=shift,
        )

    def _end_s(self, name: str) -> float:
        stem = self._opened.recipe.stems[name]
        length = max(header.n_frames / header.rate_hz for header in self.headers[name])
        used = min(length, stem.to_s or length) - stem.from_s
        shift = max(part.shift_frames for part in self.inputs[name].parts) / self.rate_hz
        return max(0.0, stem.at_s + used + shift)


def _side(value: Value | list[Value], i: int) -> Value:
    """Value of one side, from a common value or from [left, right]."""
    return value[i] if isinstance(value, list) else value


def problem_at(
    opened: Opened, problems: Problems, path: KeyPath, problem: Problem, given: str | None = None
) -> Problem:
    """Copy of a problem with the place of a key in the recipe; `given` is used if the problem has none itself."""
    placed = problems.at(place_of(opened.table, path), problem)
    return replace(placed, given=problem.given or (shown(given) if given else None))


def channels_of(stem: Stem, headers: list[Header]) -> int:
    """Number of channels of a stem: two for a pair of files, one for a single channel of a file."""
    if len(headers) == 2:
        return 2
    return 1 if stem.channel is not None else headers[0].n_channels


Unfit = list[tuple[str, Problem]]
"""Problems of a stem, each with its key."""


def unfit_files(stem: Stem, headers: list[Header]) -> tuple[Unfit, list[str]]:
    """Problems of a stem that does not fit its files, each with its key; and notes."""
    found = _unfit_pair(stem, headers) if len(headers) == 2 else _unfit_file(stem, headers[0])
    misplaced, notes = _unfit_stretch(stem, headers)
    found += misplaced
    for key in ("trim_db", "invert", "shift_samples", "shift_ms"):
        if isinstance(getattr(stem, key), list) and channels_of(stem, headers) != 2:
            message = "[left, right] needs a stereo stem or a pair of files; this stem is mono"
            found.append((key, Problem(message, code=Code.NEEDS_STEREO)))
    return found, notes


def _unfit_pair(stem: Stem, headers: list[Header]) -> Unfit:
    """Problems of a stem that does not fit its pair of files."""
    found: Unfit = []
    fewest = min(header.n_channels for header in headers)
    if stem.channel is not None and stem.channel > fewest:
        allowed = f"1 to {fewest}"
        given, code = str(stem.channel), Code.NO_SUCH_CHANNEL
        found.append(("channel", Problem("a file has no such channel", given=given, allowed=allowed, code=code)))
    if stem.channel is None and any(header.n_channels != 1 for header in headers):
        counts = " and ".join(str(header.n_channels) for header in headers)
        hint = "channel = 1 takes the first channel of both"
        given, code = f"{counts} channels", Code.UNUSABLE_CHANNELS
        found.append(("file", Problem("a pair must be two mono files", given=given, hint=hint, code=code)))
    if headers[0].rate_hz != headers[1].rate_hz:
        rates = " and ".join(f"{header.rate_hz} Hz" for header in headers)
        message = "the two files of a pair have different rates"
        found.append(("file", Problem(message, given=rates, code=Code.RATES_DIFFER)))
    return found


def _unfit_file(stem: Stem, header: Header) -> Unfit:
    """Problems of a stem that does not fit its single file."""
    found: Unfit = []
    count = header.n_channels
    if stem.channel is not None and stem.channel > count:
        given, allowed, code = str(stem.channel), f"1 to {count}", Code.NO_SUCH_CHANNEL
        found.append(("channel", Problem("the file has no such channel", given=given, allowed=allowed, code=code)))
    if stem.channel is None and count > 2:
        hint = "choose one with channel = 1"
        given, code = f"{count} channels", Code.UNUSABLE_CHANNELS
        found.append(("file", Problem("a stem must be mono or stereo", given=given, hint=hint, code=code)))
    return found


def _unfit_stretch(stem: Stem, headers: list[Header]) -> tuple[Unfit, list[str]]:
    """Problems of from_s and to_s that do not fit the length of the files; and notes."""
    found: Unfit = []
    notes: list[str] = []
    lengths = [header.n_frames / header.rate_hz for header in headers]
    length = min(lengths)
    if max(lengths) > length:
        notes.append(f"the files of the pair differ in length: {lengths[0]:.3f} and {lengths[1]:.3f} s")
    if stem.to_s is not None and stem.to_s > max(lengths):
        notes.append(f"to_s = {stem.to_s:g} is after the end of the file, at {max(lengths):.3f} s")
    used = (round(min(stem.to_s or length, length) * headers[0].rate_hz)) - round(stem.from_s * headers[0].rate_hz)
    if stem.from_s < length and used <= 0:
        found.append(("to_s", Problem("there are no frames between from_s and to_s", code=Code.NOTHING_LEFT)))
    if stem.from_s >= length:
        given, allowed = f"{stem.from_s:g}", f"less than {length:.3f} s"
        problem = Problem("from_s is after the end of the file", given=given, allowed=allowed, code=Code.NOTHING_LEFT)
        found.append(("from_s", problem))
    return found, notes
