"""Preset libraries as lists: each preset with its words, its chain's hash, and its steps."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from chainrun.contract import Step, processors
from chainrun.errors import Problem, RecipeError, UsageError, nearest, shown, shown_path
from chainrun.limits import Limits
from chainrun.plan.identity import chain_hash
from chainrun.recipe.load import read_toml
from chainrun.recipe.model import PresetFile, Recipe
from chainrun.recipe.presets import Library, Unfolder, home_of, used_presets
from chainrun.recipe.problems import Problems
from chainrun.recipe.tables import Items, Place, Table, wrap
from chainrun.recipe.validate import validate


@dataclass(frozen=True)
class Preset:
    """One preset of a library."""

    name: str
    file: Path
    library: Path
    about: str
    since: int | None
    status: str
    retired_in: int | None
    replaced_by: str | None
    suits: tuple[str, ...]
    tags: tuple[str, ...]
    chain_hash: str
    """Of its chain as written, whatever its status and prose."""
    uses: tuple[str, ...]
    """Presets inside it."""


class Shelf:
    """Several library folders, searched in order as a recipe would. Raises RecipeError for what cannot be read."""

    def __init__(self, folders: list[Path]):
        for folder in folders:
            if not folder.is_dir():
                raise UsageError(
                    Problem("there is no such preset library", given=shown_path(folder), hint="--presets DIR")
                )
        self.folders = folders
        self._library = Library(folders, read_toml)
        problems = Problems()
        self.presets: dict[str, Preset] = {}
        for name in self._library.names():
            found = self._library.load(name, Place(folders[0]), problems)
            if found is not None and found[0] == name:
                preset = self._preset(name, found[1], problems)
                if preset is not None:
                    self.presets[name] = preset
        for name, others in self._library.disputed().items():
            message = f"{name!r} is a preset's name and, under `was`, a former name of {' and '.join(others)}"
            hint = "take it out of `was` there, or rename one of them"
            problems.add(Place(self._library.file_of(others[0]), ("was",)), message, hint=hint)
        self._tell_circles(problems)
        problems.stop_if_any()
        self.hidden = self._hidden()
        """Presets of a later library whose name an earlier one has, too."""

    def _tell_circles(self, problems: Problems) -> None:
        """Presets that hold each other, and retired ones that advise each other."""
        told: set[frozenset[str]] = set()
        for name, preset in self.presets.items():
            advised = [name, *self._library.successors(name)]
            for way, what in (
                (self.circle(name), "presets use each other in a circle"),
                (advised if advised[-1] in advised[:-1] else [], "successors go round in a circle"),
            ):
                if way and frozenset(way) not in told:
                    told.add(frozenset(way))
                    problems.add(Place(preset.file), f"{what}: {' -> '.join(way)}", hint="change one of them")

    def circle(self, name: str) -> list[str]:
        """The way from a preset through those inside it back to itself, if there is one."""
        ways = [[name]]
        while ways:
            way = ways.pop()
            for inner in self.presets[way[-1]].uses if way[-1] in self.presets else ():
                now = self._library.current(inner)
                if now == name:
                    return [*way, now]
                if now not in way:
                    ways.append([*way, now])
        return []

    def holds(self, name: str, inner: str) -> list[str]:
        """The way from a preset to another one inside it, if there is one."""
        ways = [[name]]
        while ways:
            way = ways.pop()
            if way[-1] == inner and len(way) > 1:
                return way
            uses = self.presets[way[-1]].uses if way[-1] in self.presets else ()
            ways += [[*way, now] for now in map(self._library.current, uses) if now not in way]
        return []

    def _hidden(self) -> dict[str, list[Path]]:
        places: dict[str, list[Path]] = {}
        for folder in self.folders:
            library = Library([folder], read_toml)
            for name in library.names():
                places.setdefault(name, []).append(library.file_of(name))
        return {name: files for name, files in places.items() if len(files) > 1}

    def _preset(self, name: str, table: Table, problems: Problems) -> Preset | None:
        model = validate(PresetFile, table, problems)
        if model is None:
            return None
        file = self._library.file_of(name)
        folder = next(folder for folder in self.folders if folder in file.parents)
        return Preset(
            name=name,
            file=file,
            library=folder,
            about=model.about or "",
            since=model.since,
            status=model.status,
            retired_in=model.retired_in,
            replaced_by=model.replaced_by,
            suits=tuple(model.suits),
            tags=tuple(model.tags),
            chain_hash=chain_hash(table["chain"]),
            uses=tuple(dict.fromkeys(used_presets(table["chain"]))),
        )

    def get(self, name: str) -> Preset:
        """A preset by its name, or a former one. Raises UsageError."""
        name = self._library.current(name)
        if name not in self.presets:
            raise UsageError(
                Problem("there is no such preset", given=name, hint=nearest(name, self.presets) or "presets list")
            )
        return self.presets[name]

    def steps(self, name: str) -> list[Step]:
        """The preset's steps, with the presets inside it unfolded. Raises RecipeError."""
        problems = Problems()
        place = Place(self.get(name).file)
        table = wrap({"recipe": 1, "stems": {"x": {"file": "x.wav", "chain": [{"preset": name}]}}}, place)
        stem = table["stems"]["x"]
        stem.put("chain", Unfolder(self._library, [], problems, Limits.of(())).chain(stem["chain"], name), place)
        problems.stop_if_any()
        self._find_files(stem["chain"])
        recipe = validate(Recipe, table, problems)
        problems.stop_if_any()
        if recipe is None:
            raise RecipeError(Problem("the preset's chain is not valid", file=shown_path(place.file or Path(name))))
        return list(recipe.stems["x"].chain)

    def _find_files(self, value: Any) -> None:
        """Files that steps name, as absolute paths."""
        if isinstance(value, Table):
            kind = processors().get(str(value.get("do")))
            where = value.where["file"].file if "file" in value else None
            if kind is not None and kind.reads_file and where is not None:
                found = home_of(where, self.folders) / str(value["file"])
                within = any(folder.resolve() in found.resolve().parents for folder in self.folders)
                if not within or not found.is_file():
                    message = "there is no such file" if within else "the file lies outside the preset library"
                    raise RecipeError(Problem(message, file=shown_path(where), key="file", given=shown(value["file"])))
                value.put("file", str(found.resolve()), value.where["file"])
        for inner in value.values() if isinstance(value, Table) else value:
            if isinstance(inner, Table | Items):
                self._find_files(inner)
