"""Preset library: finds presets by name, and unfolds their uses in chains."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from chainrun.errors import nearest, shown, shown_path
from chainrun.limits import Limits
from chainrun.problem_codes import Code
from chainrun.recipe.address import item_index, value_at
from chainrun.recipe.model import PresetFile, PresetUse
from chainrun.recipe.problems import Problems
from chainrun.recipe.redirects import todays_key
from chainrun.recipe.tables import Items, Place, Table, plain
from chainrun.recipe.validate import validate
from chainrun.whole_file import read_text

ENDING = ".preset.toml"
RETIRED = "retired"


def home_of(file: Path, libraries: Sequence[Path]) -> Path:
    """Folder to which paths in a file are relative: its own, or for a retired preset the one it was retired from."""
    library = next((folder for folder in libraries if folder in file.parents), None)
    if library is None or not file.name.endswith(ENDING):
        return file.parent
    return library.joinpath(*(part for part in file.parent.relative_to(library).parts if part != RETIRED))


def used_presets(value: Any) -> list[str]:
    """Names of the presets that a chain uses, also in inner chains."""
    if isinstance(value, dict):
        own = [value["preset"]] if isinstance(value.get("preset"), str) else []
        return own + [name for inner in value.values() for name in used_presets(inner)]
    if isinstance(value, list):
        return [name for inner in value for name in used_presets(inner)]
    return []


@dataclass(frozen=True)
class Use:
    """Use of a preset in a chain."""

    name: str
    file: Path
    chain_path: str
    retired_in: int | None
    status: str
    replaced_by: str | None
    path: str
    """Address of the use, as in an overlay; empty inside another preset, which overlays cannot address."""
    changes: dict[str, object] = field(default_factory=dict, hash=False)
    """Its `set`."""
    place: Place | None = None
    """Place of the use in the recipe, or in the preset around it."""


class Library:
    """Finds presets by name in folders, in order."""

    def __init__(self, folders: list[Path], read: Callable[[Path, Problems], Table | None]):
        self.folders = folders
        self._read = read
        self._files: dict[str, Path] = {}
        self._clashes: dict[str, list[Path]] = {}
        self._former: dict[str, list[str]] | None = None
        self._disputed: dict[str, list[str]] = {}
        self._indexes: dict[Path, dict[str, Path]] = {}
        for folder in folders:
            self._index(folder)

    def _index(self, folder: Path) -> None:
        here: dict[str, Path] = {}
        for path in sorted(folder.rglob(f"*{ENDING}")):
            inside = path.relative_to(folder)
            parts = [part for part in inside.parts[:-1] if part != RETIRED]
            name = "/".join([*parts, inside.name.removesuffix(ENDING)])
            if name in here:
                self._clashes.setdefault(name, [here[name]]).append(path)
            here.setdefault(name, path)
        self._indexes[folder] = here
        for name, path in here.items():
            self._files.setdefault(name, path)

    def names(self) -> list[str]:
        """Names of all presets, sorted."""
        return sorted(self._files)

    def current(self, name: str) -> str:
        """Current name for a former name; any other name is returned unchanged."""
        former = [] if name in self._files else self._formers().get(name, [])
        return former[0] if len(former) == 1 else name

    def disputed(self) -> dict[str, list[str]]:
        """Names of presets that are also former names of other presets, each with these others."""
        self._formers()
        return self._disputed

    def successors(self, name: str) -> list[str]:
        """Successors of a retired preset, by `replaced_by`, up to one that is current.

        If they form a circle, the last name occurs twice.
        """
        way, quiet = [name], Problems()
        while way[-1] in self._files and way[-1] not in way[:-1]:
            table = self._read(self._files[way[-1]], quiet) or Table(Place(None))
            after = table.get("replaced_by")
            if table.get("status") != "retired" or not isinstance(after, str):
                break
            way.append(self.current(after))
        return way[1:]

    def clashing(self, name: str) -> list[Path]:
        """Files of a preset that has different chains in several libraries; empty if there is no conflict."""
        found: list[tuple[Path, Any]] = []
        for folder in self.folders if len(self.folders) > 1 else ():
            path = next((path for one, path in self._indexes[folder].items() if one == name), None)
            table = self._read(path, Problems()) if path is not None else None
            if path is not None and table is not None:
                found.append((path, plain(table.get("chain"))))
        return [path for path, _ in found] if any(chain != found[0][1] for _, chain in found[1:]) else []

    def load(self, name: str, place: Place, problems: Problems) -> tuple[str, Table] | None:
        """Load a preset by name or former name: (current name, table). On failure adds a problem and returns None."""
        if name in self._clashes:
            both = " and ".join(shown_path(path) for path in self._clashes[name])
            problems.add(
                place,
                f"the preset {name!r} has several files: {both}",
                hint="rename or remove one of them",
                code=Code.AMBIGUOUS_PRESET,
            )
            return None
        if both_files := self.clashing(name):
            paths = " and ".join(shown_path(path) for path in both_files)
            hint = "rename one of them (with the old name under `was`), or remove a library from presets_dirs"
            problems.add(
                place,
                f"several libraries have different presets {name!r}: {paths}",
                hint=hint,
                code=Code.AMBIGUOUS_PRESET,
            )
            return None
        if name in self.disputed():
            others = " and ".join(self._disputed[name])
            problems.add(
                place,
                f"{name!r} is the name of a preset, and a former name (`was`) of {others}",
                hint="remove the name from that `was`, or rename the preset",
                code=Code.AMBIGUOUS_PRESET,
            )
            return None
        if name not in self._files:
            found = self._formers().get(name, [])
            if len(found) != 1:
                self._not_found(name, found, place, problems)
                return None
            name = found[0]
        table = self._read(self._files[name], problems)
        if table is None:
            return None
        if validate(PresetFile, table, problems) is None and not isinstance(table.get("chain"), Items):
            return None
        return name, table

    def file_of(self, name: str) -> Path:
        """File of a preset that `load` has found."""
        return self._files[name]

    def _formers(self) -> dict[str, list[str]]:
        """Former names, each with the presets that had them."""
        if self._former is None:
            self._former = {}
            quiet = Problems()
            for now, path in self._files.items():
                for old in self._former_names(path, quiet):
                    self._former.setdefault(old, []).append(now)
                    if old in self._files:
                        self._disputed.setdefault(old, []).append(now)
        return self._former

    def _former_names(self, path: Path, quiet: Problems) -> list[str]:
        try:
            if "was" not in read_text(path):  # most presets have none, and need not be parsed
                return []
        except (OSError, ValueError):
            return []
        former = (self._read(path, quiet) or Table(Place(path))).get("was")
        return [str(old) for old in former] if isinstance(former, list) else []

    def _not_found(self, name: str, found: list[str], place: Place, problems: Problems) -> None:
        if found:
            message = f"{name!r} is a former name of several presets: {', '.join(found)}"
            problems.add(place, message, code=Code.AMBIGUOUS_PRESET)
            return
        folders = ", ".join(shown_path(folder) for folder in self.folders) or "no folder"
        problems.add(
            place,
            "there is no such preset",
            given=shown(name),
            allowed=f"{len(self._files)} presets in {folders}",
            hint=nearest(name, self._files),
            code=Code.UNKNOWN_PRESET,
        )


def _name(item: Table, index: int) -> str:
    """Name of an item of a chain: its own, else its number."""
    name = item.get("name")
    return name if isinstance(name, str) else str(index)


def _below(at: str, key: str) -> str:
    """Path of a key inside another path; empty inside an empty path."""
    return f"{at}.{key}" if at else ""


class Unfolder:
    """Replaces preset uses by their steps, everywhere in a recipe's chains."""

    def __init__(self, library: Library, replacements: list[dict[str, str]], problems: Problems, limits: Limits):
        self.library, self.problems, self._limits = library, problems, limits
        self._steps = self._depth = 0
        self._replacements = replacements
        self.uses: list[Use] = []

    def chain(self, items: Items, chain_path: str, stack: tuple[str, ...] = (), at: str | None = None) -> Items:
        """Chain with all preset uses unfolded, also in inner chains; each step gets its address.

        `at` is the path of an inner chain; it is empty inside a preset.
        """
        at = chain_path if at is None else at
        self._count(items)
        self._depth += 1
        self._check_names(items)
        out = Items(items.place)
        for i, item in enumerate(items):
            if not isinstance(item, Table):
                out.add(item, items.where[i])
            elif "preset" in item:
                for step in self._use(item, chain_path, stack, _below(at, _name(item, i))):
                    step.address, step.named = f"{i}.{step.address}", f"{_name(item, i)}.{step.named}"
                    out.add(step, step.place)
            else:
                step = deepcopy(item)
                self._inner(step, chain_path, stack, _below(at, _name(item, i)))
                step.address, step.named = str(i), _name(item, i)
                out.add(step, items.where[i])
        self._depth -= 1
        return out

    def _count(self, items: Items) -> None:
        """Raise RecipeError as soon as a chain unfolds to more than the limits allow."""
        self._steps += len(items)
        for over in (
            self._limits.exceeded("steps", self._steps, "the number of steps and preset uses"),
            self._limits.exceeded("nesting", self._depth, "chain inside chain"),
        ):
            if over is not None:
                self.problems.tell(items.place, over)
                self.problems.stop_if_any()

    def _inner(self, node: Any, chain_path: str, stack: tuple[str, ...], at: str) -> None:
        values = list(node.items()) if isinstance(node, Table) else list(enumerate(node))
        for key, value in values:
            inner = _name(value, key) if isinstance(value, Table) and isinstance(key, int) else str(key)
            if key == "chain" and isinstance(value, Items):
                node[key] = self.chain(value, chain_path, stack, _below(at, inner))
            elif isinstance(value, Table | Items):
                self._inner(value, chain_path, stack, _below(at, inner))

    def _check_names(self, items: Items) -> None:
        seen: dict[str, Place] = {}
        for item in items:
            name = item.get("name") if isinstance(item, Table) else None
            if isinstance(name, str):
                if name in seen:
                    self.problems.add(
                        item.where["name"],
                        "two steps of the chain have this name",
                        given=shown(name),
                        code=Code.NAME_TAKEN,
                    )
                elif name.isdigit() or "." in name:
                    self.problems.add(
                        item.where["name"],
                        "a step's name must not be a number or contain a dot",
                        given=shown(name),
                        code=Code.NOT_A_NAME,
                    )
                seen[name] = item.place

    def _use(self, item: Table, chain_path: str, stack: tuple[str, ...], at: str) -> Items:
        nothing = Items(item.place)
        use = validate(PresetUse, item, self.problems)
        if use is None:
            return nothing
        wanted = self.library.current(use.preset)
        for mapping in self._replacements:
            now = {self.library.current(old): new for old, new in mapping.items()}
            wanted = self.library.current(now.get(wanted, wanted))
        found = self.library.load(wanted, item.where["preset"], self.problems)
        if found is None:
            return nothing
        name, table = found
        if (over := self._limits.exceeded("nesting", len(stack), "preset inside preset")) is not None:
            self.problems.tell(item.where["preset"], over)
            self.problems.stop_if_any()
        if name in stack:
            circle = " -> ".join([*stack, name])
            message = f"presets use each other in a circle: {circle}"
            self.problems.add(item.where["preset"], message, code=Code.PRESET_CIRCLE)
            return nothing
        self.uses.append(
            Use(
                name,
                self.library.file_of(name),
                chain_path,
                table.get("retired_in"),
                table.get("status", "current"),
                table.get("replaced_by"),
                at,
                plain(item["set"]) if isinstance(item.get("set"), Table) else {},
                item.where["preset"],
            )
        )
        chain = self._changed(table, item.get("set"))
        if chain is None:
            return nothing
        steps = self.chain(chain, chain_path, (*stack, name), "")
        for i, step in enumerate(steps):
            step.address = self._label(steps, i)
            step.named = step.named if "." in step.named else step.address
            if use.bypass:
                step.put("bypass", True, item.where["bypass"])
        return self._mixed(steps, item, use) if use.mix_pct < 100.0 else steps

    def _changed(self, preset: Table, changes: Any) -> Items | None:
        """Copy of a preset's chain with the changes of its use; on failure adds a problem and returns None."""
        chain = preset["chain"]
        if not isinstance(chain, Items):
            message = "must be an array of tables"
            self.problems.add(preset.where["chain"], message, given=shown(chain), code=Code.WRONG_TYPE)
            return None
        chain = deepcopy(chain)
        if isinstance(changes, Table):
            for path, value in changes.items():
                self._set(chain, path, value, changes.where[path])
        for i, step in enumerate(chain):
            if not isinstance(step, Table):
                self.problems.add(
                    chain.where[i],
                    "a step must be a table",
                    given=shown(step),
                    allowed="{ do = … }",
                    code=Code.WRONG_TYPE,
                )
                return None
        return chain

    @staticmethod
    def _label(steps: Items, i: int) -> str:
        step = steps[i]
        if "." in step.address:  # from a preset inside the preset: its own address is more specific
            return str(step.address)
        for key in ("name", "do"):
            word = step.get(key)
            if word is not None and sum(other.get(key) == word for other in steps) == 1:
                return str(word)
        return str(step.address)

    @staticmethod
    def _mixed(steps: Items, item: Table, use: PresetUse) -> Items:
        """The steps as one step of branches, so that their output can be mixed with the dry input."""
        group, branch, branches = Table(item.place), Table(item.place), Items(item.place)
        branch.put("chain", steps, item.where["preset"])
        branches.add(branch, item.place)
        group.put("do", "branches", item.where["preset"])
        if use.name is not None:
            group.put("name", use.name, item.where["name"])
        group.put("mix_pct", use.mix_pct, item.where["mix_pct"])
        group.put("branches", branches, item.where["preset"])
        group.address = group.named = "mix"
        out = Items(item.place)
        out.add(group, item.place)
        return out

    def _set(self, chain: Items, path: str, value: Any, place: Place) -> None:
        tokens = path.split(".")
        if isinstance(value, Table) and isinstance(value_at(chain, tokens), Table | Items):
            # A path written without quotes arrives as tables inside tables.
            for key, inner in value.items():
                self._set(chain, f"{path}.{key}", inner, value.where[key])
            return
        node: Any = chain
        for i, token in enumerate(tokens):
            last = i == len(tokens) - 1
            if isinstance(node, Items):
                index = item_index(node, token)
                child = node[index] if index is not None else None
                if last and index is not None:
                    node[index], node.where[index] = value, place
                    return
            else:
                if isinstance(node, Table) and "preset" in node:
                    inner = node.setdefault("set", Table(place))
                    node.where.setdefault("set", place)
                    inner.put(".".join(tokens[i:]), value, place)
                    return
                if last and isinstance(node, Table):
                    node.put(*todays_key(node, token, value), place)
                    return
                child = node.get(token) if isinstance(node, Table) else None
            if child is None:
                known = [str(s.get("name", s.get("do", ""))) for s in chain if isinstance(s, dict)]
                self.problems.add(
                    place,
                    f"the path matches nothing in the preset: there is no {token!r}",
                    given=path,
                    allowed=f"paths that begin with {', '.join(known)}",
                    hint=nearest(token, known),
                    code=Code.PATH_MATCHES_NOTHING,
                )
                return
            node = child
