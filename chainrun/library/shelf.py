"""Reads preset libraries: each preset with its description, the hash of its chain, and its steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from chainrun.contract import Step
from chainrun.errors import Problem, RecipeError, UsageError, nearest, shown, shown_path
from chainrun.limits import Limits
from chainrun.plan.identity import chain_hash
from chainrun.problem_codes import Code
from chainrun.recipe.load import read_toml
from chainrun.recipe.model import PresetFile, Recipe
from chainrun.recipe.presets import Library, Unfolder, home_of, used_presets
from chainrun.recipe.problems import Problems
from chainrun.recipe.step_files import steps_with_files
from chainrun.recipe.tables import Items, Place, Table, wrap
from chainrun.recipe.validate import validate

DEFAULT_LIBRARIES = ("presets", "recipes/presets")
"""Default folders of the preset library."""


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
    """Hash of the chain as written; status and prose are not part of it."""
    uses: tuple[str, ...]
    """Presets that it contains."""

    def record(self) -> dict[str, object]:
        """The preset as a JSON object."""
        return {
            "name": self.name,
            "file": str(self.file),
            "about": self.about,
            "since": self.since,
            "status": self.status,
            "retired_in": self.retired_in,
            "replaced_by": self.replaced_by,
            "suits": list(self.suits),
            "tags": list(self.tags),
            "chain_hash": self.chain_hash,
            "uses": list(self.uses),
        }


def usual_libraries() -> list[Path]:
    """The preset library of the working folder: the first of DEFAULT_LIBRARIES. Raises UsageError if there is none."""
    found = [Path(one) for one in DEFAULT_LIBRARIES if Path(one).is_dir()]
    if not found:
        raise UsageError(
            Problem(
                "there is no preset library here",
                allowed=", ".join(DEFAULT_LIBRARIES),
                hint="give the folder of one",
                code=Code.NO_PRESET_LIBRARY,
            )
        )
    return found[:1]


class Shelf:
    """Presets of several library folders, searched in order as a recipe does. Steps may use files in `allow_roots`.

    Raises RecipeError for a preset that cannot be read, UsageError for a folder that does not exist.
    """

    def __init__(self, folders: Sequence[Path], allow_roots: Sequence[Path] = ()):
        for folder in folders:
            if not folder.is_dir():
                raise UsageError(
                    Problem(
                        "there is no such preset library",
                        given=shown_path(folder),
                        hint="give the folder of one",
                        code=Code.FOLDER_NOT_FOUND,
                        facts=(("asked_by", "presets"),),
                    )
                )
        self.folders, self._readable = list(folders), [*folders, *allow_roots]
        self._library = Library(self.folders, read_toml)
        problems = Problems()
        self.presets: dict[str, Preset] = {}
        for name in self._library.names():
            found = self._library.load(name, Place(self.folders[0]), problems)
            if found is not None and found[0] == name:
                preset = self._preset(name, found[1], problems)
                if preset is not None:
                    self.presets[name] = preset
        for name, others in self._library.disputed().items():
            message = f"{name!r} is a preset's name and also, under `was`, a former name of {' and '.join(others)}"
            hint = "remove the name from that `was`, or rename the preset"
            place = Place(self._library.file_of(others[0]), ("was",))
            problems.add(place, message, hint=hint, code=Code.AMBIGUOUS_PRESET)
        self._report_circles(problems)
        problems.stop_if_any()
        self.hidden = self._hidden()
        """Files of presets whose name is in several libraries."""

    def _report_circles(self, problems: Problems) -> None:
        """Report presets that contain each other, and retired ones that name each other as successors."""
        reported: set[frozenset[str]] = set()
        for name, preset in self.presets.items():
            advised = [name, *self._library.successors(name)]
            round_advice = advised if advised[-1] in advised[:-1] else []
            for way, what, code in (
                (self.circle(name), "presets use each other in a circle", Code.PRESET_CIRCLE),
                (round_advice, "successors form a circle", Code.SUCCESSOR_CIRCLE),
            ):
                if way and frozenset(way) not in reported:
                    reported.add(frozenset(way))
                    message = f"{what}: {' -> '.join(way)}"
                    problems.add(Place(preset.file), message, hint="change one of them", code=code)

    def circle(self, name: str) -> list[str]:
        """The path from a preset through the presets that it contains back to itself; empty if there is none."""
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
        """The path from a preset to another one that it contains; empty if there is none."""
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
        """A preset by its current or former name. Raises UsageError."""
        name = self._library.current(name)
        if name not in self.presets:
            raise UsageError(
                Problem(
                    "there is no such preset",
                    given=name,
                    hint=nearest(name, self.presets) or "presets list",
                    code=Code.UNKNOWN_PRESET,
                )
            )
        return self.presets[name]

    def steps(self, name: str) -> list[Step]:
        """The preset's steps, with contained presets unfolded. Raises RecipeError."""
        problems = Problems()
        place = Place(self.get(name).file)
        table = wrap({"grammar": 1, "stems": {"x": {"file": "x.wav", "chain": [{"preset": name}]}}}, place)
        stem = table["stems"]["x"]
        stem.put("chain", Unfolder(self._library, [], problems, Limits.of(())).chain(stem["chain"], name), place)
        problems.stop_if_any()
        self._find_files(stem["chain"])
        recipe = validate(Recipe, table, problems)
        problems.stop_if_any()
        if recipe is None:
            file = shown_path(place.file or Path(name))
            raise RecipeError(Problem("the preset's chain is not valid", file=file, code=Code.BAD_VALUE))
        return list(recipe.stems["x"].chain)

    def _find_files(self, chain: Items) -> None:
        """Make the paths of steps' files absolute. Raises RecipeError for a file that is not in the library."""
        for _, step in steps_with_files(chain):
            where = step.where["file"].file
            if where is None:
                continue
            found = home_of(where, self.folders) / str(step["file"])
            within = any(folder.resolve() in found.resolve().parents for folder in self._readable)
            if not within or not found.is_file():
                message = "there is no such file" if within else "the file is outside the preset library"
                code = Code.FILE_NOT_FOUND if within else Code.OUTSIDE_ROOT
                raise RecipeError(
                    Problem(message, file=shown_path(where), key="file", given=shown(step["file"]), code=code)
                )
            step.put("file", str(found.resolve()), step.where["file"])
