"""Collects problems, with file, line and column of each place."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from chainrun.errors import Facts, Problem, RecipeError, Severity, shown_path
from chainrun.problem_codes import Code
from chainrun.recipe.locate import Position, nearest_position, positions
from chainrun.recipe.tables import KeyPath, Place

MAX_PROBLEMS = 400
"""Maximum number of problems in a list; further ones are only counted."""


class Problems:
    """Collected problems. File names are relative to the working folder."""

    def __init__(self) -> None:
        self.found: list[Problem] = []
        self.read: list[Path] = []
        """Files that were read."""
        self.renamed: list[Problem] = []
        """Names in these files that have changed since, each with its place."""
        self._beyond = 0
        self._kept: set[Problem] = set()
        self._positions: dict[Path, dict[KeyPath, Position]] = {}

    def continued(self) -> Problems:
        """Independent copy, to which further problems can be added."""
        found = Problems()
        found.found, found.read, found.renamed = list(self.found), list(self.read), list(self.renamed)
        found._beyond, found._kept = self._beyond, set(self._kept)
        found._positions = self._positions
        return found

    def add(
        self,
        place: Place,
        message: str,
        *,
        given: str | None = None,
        allowed: str | None = None,
        hint: str | None = None,
        severity: Severity = "error",
        code: Code,
        facts: Facts = (),
    ) -> None:
        """Add a problem at a place."""
        problem = Problem(message, given=given, allowed=allowed, hint=hint, severity=severity, code=code, facts=facts)
        self._keep(self.at(place, problem))

    def tell(self, place: Place, problem: Problem) -> None:
        """Add a given problem, at a place."""
        self._keep(self.at(place, problem))

    def note_renamed(self, place: Place, words: str) -> None:
        """Note a name that has changed since; the meaning of the file is the same."""
        problem = self.at(place, Problem(words, severity="warning", code=Code.OLD_NAME))
        if problem not in self.renamed:
            self.renamed.append(problem)

    def fold_renamed(self) -> None:
        """Add one warning about all old names, instead of one for each."""
        if not self.renamed:
            return
        files = list(dict.fromkeys(one.file for one in self.renamed))
        n, others = len(self.renamed), len(files) - 1
        where = "this file" + (f" and {others} {'others' if others > 1 else 'other'}" if others else "")
        has = "1 name" if n == 1 else f"{n} names"
        message = f"{has} in {where} changed in a later version; the meaning is the same"
        hint = "rewrite the files with today's names"
        self._keep(Problem(message, file=files[0], severity="warning", hint=hint, code=Code.OLD_NAMES))

    def _keep(self, problem: Problem) -> None:
        if problem in self._kept:  # a recipe that is planned twice lists each problem once
            return
        self._kept.add(problem)
        if len(self.errors if problem.severity == "error" else self.warnings) < MAX_PROBLEMS:
            self.found.append(problem)
        elif problem.severity == "error":
            self._beyond += 1

    def at(self, place: Place, problem: Problem) -> Problem:
        """Copy of a problem with file, line, column and key of the place."""
        file, position = self.where(place)
        return replace(
            problem,
            file=file,
            line=position[0] if position else None,
            column=position[1] if position else None,
            key=".".join(str(step) for step in place.path),
        )

    def where(self, place: Place) -> tuple[str, Position | None]:
        """File of a place, relative to the working folder, and line and column if known."""
        return shown_path(place.file) if place.file is not None else "command line", self._position(place)

    def _position(self, place: Place) -> Position | None:
        if place.file is None or not place.path:
            return None
        if place.file not in self._positions:
            try:
                self._positions[place.file] = positions(place.file.read_text(encoding="utf-8-sig"))
            except (OSError, UnicodeDecodeError, IndexError, ValueError, RecursionError):
                self._positions[place.file] = {}
        return nearest_position(self._positions[place.file], place.path)

    @property
    def errors(self) -> list[Problem]:
        """Problems that prevent a render."""
        return [problem for problem in self.found if problem.severity == "error"]

    @property
    def warnings(self) -> list[Problem]:
        """Problems that do not prevent a render."""
        return [problem for problem in self.found if problem.severity == "warning"]

    def stop_if_any(self) -> None:
        """Raise RecipeError with all problems if one of them is an error."""
        if self.errors:
            listed = sorted(self.errors, key=lambda p: (p.file or "", p.line or 0, p.column or 0))
            if self._beyond:
                listed.append(Problem(f"and {self._beyond} more problems", code=Code.MORE_PROBLEMS))
            raise RecipeError(listed)
