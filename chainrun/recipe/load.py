"""Opens a recipe: lays file, base, variant, overlays and `--set` over each other, unfolds presets, validates."""

from __future__ import annotations

import hashlib
import os
import re
import tomllib
from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from chainrun import toml_file
from chainrun.errors import Problem, RecipeError, nearest, shown, shown_path
from chainrun.limits import Limits
from chainrun.problem_codes import Code
from chainrun.recipe.model import Recipe
from chainrun.recipe.overlay import lay_over, put_from_command_line, put_value
from chainrun.recipe.presets import Library, Unfolder, Use
from chainrun.recipe.problems import Problems
from chainrun.recipe.redirects import apply, find
from chainrun.recipe.renamed import FileKind
from chainrun.recipe.roots import Roots
from chainrun.recipe.semantics import check_references
from chainrun.recipe.tables import Items, KeyPath, Place, Table, place_of, wrap
from chainrun.recipe.toml_slips import place_of_error, slips, where_to_look
from chainrun.recipe.toml_text import toml_text
from chainrun.recipe.validate import validate
from chainrun.whole_file import safely_resolved


@dataclass(frozen=True)
class Overrides:
    """Changes that the command line or a program lays over a recipe, in this order."""

    variant: str | None = None
    overlays: Sequence[Path] = ()
    sets: Sequence[str] = ()
    """Assignments as text: PATH=VALUE."""
    allow_roots: Sequence[Path] = ()
    limits: Limits = field(default_factory=lambda: Limits.of(()))
    values: Sequence[tuple[str, Any]] = ()
    """Assignments by a program: path and value."""

    @property
    def change(self) -> str:
        """Name of the changes: variant, overlays, a hash of single values; empty without changes."""
        overlays = [path.name.removesuffix(".toml").removesuffix(".overlay") for path in self.overlays]
        texts = [*self.sets, *(f"{path}={toml_text(value)}" for path, value in self.values)]
        values = hashlib.sha256("\n".join(texts).encode("utf-8", "surrogateescape")).hexdigest()[:6]
        return "+".join([*([self.variant] if self.variant else []), *overlays, *([f"set-{values}"] if texts else [])])


@dataclass
class Opened:
    """Valid recipe, with everything needed to run it and to locate its values."""

    path: Path
    recipe: Recipe
    table: Table
    """Data of the model: presets unfolded, every value with its place."""
    stems_dir: Path
    roots: Roots
    uses: list[Use]
    problems: Problems
    limits: Limits = field(default_factory=Limits)
    """Limits on its cost."""
    libraries: list[Path] = field(default_factory=list)
    """Its preset folders that exist."""
    variant: str | None = None
    overlaid: bool = False
    """Whether overlays or single values from outside were laid over it."""
    change: str = ""
    """Name of the changes laid over it; empty for the unchanged recipe."""
    read: list[Path] = field(default_factory=list)

    @property
    def name(self) -> str:
        """Name of the recipe: its file name without `.recipe.toml`."""
        return recipe_name(self.path)

    def files(self) -> list[Path]:
        """All text files of this recipe: itself, bases, overlays, presets."""
        return list(self.read)

    def stem_files(self, stem: str) -> list[Path]:
        """Files of a stem: one, or left and right."""
        files = self.recipe.stems[stem].file
        return [self.stems_dir / one for one in (files if isinstance(files, list) else [files])]

    def addresses(self, *path: str) -> list[tuple[str, str]]:
        """Address of each step of a chain as written in the recipe, by numbers and by names."""
        node: Any = self.table
        for key in path:
            node = node.get(key, {})
        return [(f"chain.{step.address}", f"chain.{step.named}") for step in node.get("chain", [])]


def recipe_name(path: Path) -> str:
    """Name of a recipe: `tithe-barn` for `tithe-barn.recipe.toml`."""
    return path.name.removesuffix(".toml").removesuffix(".recipe")


def read_toml(
    path: Path, problems: Problems, limits: Limits | None = None, *, kind: FileKind = FileKind.PRESET
) -> Table | None:
    """Read a TOML file as located data, with today's names; on failure add a problem and return None."""
    place = Place(path)
    try:
        if not path.exists():
            problems.add(place, "there is no such file", code=Code.FILE_NOT_FOUND)
            return None
        if not path.is_file():
            problems.add(place, "this is not a plain file", code=Code.NOT_A_PLAIN_FILE)
            return None
        if (over := (limits or Limits.of(())).exceeded("toml_kb", path.stat().st_size / 1000, "the file")) is not None:
            problems.tell(place, over)
            return None
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        problems.add(place, f"the file cannot be read ({error.strerror})", code=Code.CANNOT_READ)
        return None
    except UnicodeDecodeError:
        problems.add(place, "this is not a text file in UTF-8", code=Code.NOT_UTF8)
        return None
    try:
        data = toml_file.parse(text)
    except tomllib.TOMLDecodeError as error:
        problems.found.extend(_of_toml(path, text, error))
        return None
    try:
        located = wrap(data, place)
    except RecursionError:
        problems.add(place, "arrays or tables are nested too deeply", code=Code.TOO_DEEP)
        return None
    assert isinstance(located, Table)
    redirects = find(located, kind)
    for one in redirects:
        problems.note_renamed(one.place, one.in_words())
    apply(redirects)
    problems.read.append(path)
    return located


def _of_toml(path: Path, text: str, error: tomllib.TOMLDecodeError) -> list[Problem]:
    """Problems of an invalid TOML text with their places, as far as they are certain."""
    file = shown_path(path)
    if isinstance(error, toml_file.TooDeepError):
        return [Problem(str(error), file=file, line=error.line, column=1, code=Code.TOO_DEEP)]
    found = slips(text, error)
    if found:
        return [
            Problem(
                f"this is not valid TOML: {one.message}",
                file=file,
                line=one.line,
                column=one.column,
                given=one.given,
                hint=one.hint,
                code=Code.INVALID_TOML,
            )
            for one in found
        ]
    line, column = place_of_error(text, error)
    message = "this is not valid TOML: " + re.sub(r"\s*\(at .*\)$", "", str(error))
    hint = where_to_look(text, error)
    return [Problem(message, file=file, line=line, column=column, hint=hint, code=Code.INVALID_TOML)]


def _with_base(path: Path, roots: Roots, problems: Problems, limits: Limits, stack: tuple[Path, ...]) -> Table | None:
    table = read_toml(path, problems, limits, kind=FileKind.RECIPE)
    if table is None or "base" not in table:
        return table
    base = table["base"]
    if not isinstance(base, str):
        return table
    place = table.where["base"]
    base_path = safely_resolved(path.parent / base)
    if base_path in stack:
        problems.add(place, "base recipes refer to each other in a circle", given=shown(base), code=Code.BASE_CIRCLE)
        return None
    if (over := limits.exceeded("nesting", len(stack), "base below base")) is not None:
        problems.tell(place, over)
        return None
    refusal = roots.refusal(path.parent / base)
    if refusal is not None:
        problems.tell(place, refusal.problem("the base recipe", given=shown(base)))
        return None
    if not base_path.is_file():
        problems.add(place, "there is no such file", given=shown(base), code=Code.FILE_NOT_FOUND)
        return None
    below = _with_base(base_path, roots, problems, limits, (*stack, base_path))
    if below is None:
        return None
    # Default folders of the base are relative to its own folder.
    if "stems_dir" not in below:
        below.put("stems_dir", ".", Place(base_path))
    if "presets_dirs" not in below and (base_path.parent / "presets").is_dir():
        below.put("presets_dirs", wrap(["presets"], Place(base_path)), Place(base_path))
    below.replacements.append(lay_over(below, _without(table, "base"), problems))
    return below


def _read_inside(roots: Roots, limits: Limits, path: Path, problems: Problems) -> Table | None:
    """Read a preset's file, unless it is a link out of the recipe's root."""
    refusal = roots.refusal(path)
    if refusal is not None:
        problems.tell(Place(path), refusal.problem("the preset"))
        return None
    return read_toml(path, problems, limits)


def _check_size(table: Table, limits: Limits, problems: Problems) -> None:
    """Raise RecipeError for a recipe with more nodes than the limit, before it is processed further."""
    groups = [table.get(group) for group in ("stems", "buses")]
    nodes = sum(len(group) for group in groups if isinstance(group, Table))
    if (over := limits.exceeded("nodes", nodes, "the number of stems and buses")) is not None:
        problems.tell(table.place, over)
        problems.stop_if_any()


def _without(table: Table, key: str) -> Table:
    copy = deepcopy(table)
    copy.pop(key, None)
    return copy


def open_recipe(path: Path, overrides: Overrides | None = None) -> Opened:
    """Open and validate a recipe. Raises RecipeError with all problems of all files."""
    overrides = overrides or Overrides()
    problems = Problems()
    path = path.absolute()
    roots = Roots.of(path, overrides.allow_roots)
    limits = overrides.limits
    table = _with_base(path, roots, problems, limits, (path.resolve(),))
    if table is None:
        problems.stop_if_any()
        raise RecipeError(Problem("the recipe is empty", file=shown_path(path), code=Code.MISSING_KEY))
    table.place = Place(path)
    table.pop("base", None)
    _lay_all(table, overrides, problems)
    _check_size(table, limits, problems)
    folders = _preset_folders(table, roots, problems)
    library = Library(folders, partial(_read_inside, roots, limits))
    unfolder = Unfolder(library, table.replacements, problems, limits)
    _unfold_all(table, unfolder)
    recipe = validate(Recipe, table, problems)
    check_references(table, problems, recipe_name(path), overrides.variant or "")
    if recipe is None:
        _report_missing_stems(table, path, roots, problems)
        problems.stop_if_any()
        raise AssertionError("a model that fails adds a problem")
    stems_dir = _folder_of(table, "stems_dir", path) / recipe.stems_dir
    opened = Opened(
        path,
        recipe,
        table,
        stems_dir,
        roots,
        unfolder.uses,
        problems,
        limits=limits,
        libraries=folders,
        variant=overrides.variant,
        overlaid=bool(overrides.overlays or overrides.sets or overrides.values),
        change=overrides.change,
        read=list(dict.fromkeys([path, *problems.read])),
    )
    _check_stem_paths(opened)
    for use in unfolder.uses:
        if use.status == "retired":
            when = f" in {use.retired_in}" if use.retired_in else ""
            problems.add(
                use.place or Place(path),
                f"{use.chain_path} uses the preset {use.name}, retired{when}{_advice(unfolder.library, use.name)}",
                severity="warning",
                code=Code.RETIRED_PRESET,
            )
    problems.stop_if_any()
    problems.fold_renamed()
    return opened


def _advice(library: Library, name: str) -> str:
    """Advice on a retired preset's successor, in words; empty without one."""
    way = library.successors(name)
    if not way:
        return ""
    if way[-1] in [name, *way[:-1]]:
        return f"; its successors form a circle: {' -> '.join([name, *way])}"
    between = f" (after {', '.join(way[:-1])})" if len(way) > 1 else ""
    gone = "" if way[-1] in library.names() else ", which is not in the library"
    return f"; its successor is {way[-1]}{between}{gone}"


def _lay_all(table: Table, overrides: Overrides, problems: Problems) -> None:
    def lay(overlay: Table) -> None:
        table.replacements.append(lay_over(table, overlay, problems))

    if overrides.variant is not None:
        variants = table.get("variants", {})
        variant = variants.get(overrides.variant) if isinstance(variants, dict) else None
        if isinstance(variant, Table):
            lay(variant)
        else:
            problems.add(
                table.where.get("variants", table.place),
                "there is no such variant",
                given=shown(overrides.variant),
                allowed=", ".join(variants) or "none: the recipe has no variants",
                hint=nearest(overrides.variant, variants),
                code=Code.UNKNOWN_VARIANT,
            )
    for file in overrides.overlays:
        overlay = read_toml(file.absolute(), problems, kind=FileKind.OVERLAY)
        if overlay is not None:
            lay(overlay)
    for assignment in overrides.sets:
        put_from_command_line(table, assignment, problems)
    for path, value in overrides.values:
        put_value(table, path, value, problems)


def _folder_of(table: Table, key: str, default: Path) -> Path:
    """Folder of the file in which a key is written, to which its path is relative."""
    place = table.where.get(key)
    return place.file.parent if place is not None and place.file is not None else default.parent


def _preset_folders(table: Table, roots: Roots, problems: Problems) -> list[Path]:
    written = table.get("presets_dirs")
    default = not isinstance(written, Items)
    names = [one for one in written if isinstance(one, str)] if isinstance(written, Items) else ["presets"]
    here = _folder_of(table, "presets_dirs", table.place.file or Path())
    found = []
    for i, name in enumerate(names):
        folder = here / name
        place = table.place if default else place_of(table, ("presets_dirs", i))
        refusal = roots.refusal(folder)
        if refusal is not None:
            problems.tell(place, refusal.problem("the preset folder", given=shown(name)))
        elif folder.is_dir():
            found.append(folder)
        elif not default:
            problems.add(place, "there is no such folder", given=shown(name), code=Code.FOLDER_NOT_FOUND)
    return found


def _unfold_all(table: Table, unfolder: Unfolder) -> None:
    for group in ("stems", "buses"):
        nodes = table.get(group)
        for name, node in nodes.items() if isinstance(nodes, Table) else ():
            if isinstance(node, Table) and isinstance(node.get("chain"), Items):
                node["chain"] = unfolder.chain(node["chain"], f"{group}.{name}.chain")
    main = table.get("main")
    if isinstance(main, Table) and isinstance(main.get("chain"), Items):
        main["chain"] = unfolder.chain(main["chain"], "main.chain")


def _report_missing_stems(table: Table, path: Path, roots: Roots, problems: Problems) -> None:
    """Add problems for missing stem files of an invalid recipe, for which no plan is made that would find them."""
    base = _folder_of(table, "stems_dir", path) / str(table.get("stems_dir", "."))
    stems = table.get("stems")
    for name, stem in stems.items() if isinstance(stems, Table) else ():
        files = stem.get("file") if isinstance(stem, Table) else None
        for file in files if isinstance(files, list) else [files]:
            if isinstance(file, str) and roots.refusal(base / file) is None and not (base / file).exists():
                where = place_of(table, ("stems", name, "file"))
                problems.add(where, "there is no such file", given=shown(file), code=Code.FILE_NOT_FOUND)


def _check_stem_paths(opened: Opened) -> None:
    of_folder = opened.roots.refusal(opened.stems_dir)
    if of_folder is not None and of_folder.is_outside and "stems_dir" in opened.table:
        given = shown(str(opened.recipe.stems_dir))
        opened.problems.tell(
            place_of(opened.table, ("stems_dir",)), of_folder.problem("the stems' folder", given=given)
        )
        return
    outside: list[tuple[KeyPath, str, Path]] = []
    for name in opened.recipe.stems:
        for i, path in enumerate(opened.stem_files(name)):
            refusal = opened.roots.refusal(path)
            pair = isinstance(opened.recipe.stems[name].file, list)
            key: KeyPath = ("stems", name, "file", i) if pair else ("stems", name, "file")
            given = shown(str(opened.recipe.stems[name].file))
            if refusal is None:
                continue
            if refusal.is_outside:
                outside.append((key, given, path))
            else:
                problem = replace(refusal.problem("the stem", given=given), hint=None, facts=())
                opened.problems.tell(place_of(opened.table, key), problem)
    if outside:  # one cause, one problem
        key, given, path = outside[0]
        rest = f" (as are {len(outside) - 1} more)" if len(outside) > 1 else ""
        holds_all = Path(os.path.commonpath([safely_resolved(one) for _, _, one in outside]))
        problem = opened.roots.outside(holds_all).problem("the stem", given=given, and_more=rest)
        opened.problems.tell(place_of(opened.table, key), problem)


__all__ = ["Opened", "Overrides", "open_recipe", "read_toml", "recipe_name"]
