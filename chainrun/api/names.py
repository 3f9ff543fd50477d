"""Rewrites files of an older grammar with today's names."""

from __future__ import annotations

import json
import shutil
import subprocess
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from glob import escape
from pathlib import Path

from chainrun import toml_file
from chainrun.api.guard import Name, guarded
from chainrun.errors import ChainrunError, Problem, RecipeError, UsageError, reason, shown_path
from chainrun.problem_codes import Code
from chainrun.recipe import Opened, Overrides, open_recipe
from chainrun.recipe.load import read_toml, recipe_name
from chainrun.recipe.problems import Problems
from chainrun.recipe.renamed import FileKind
from chainrun.recipe.rewrite import NotRewritableError, todays_text
from chainrun.whole_file import write_whole

BOM = "\ufeff"
RECORD_ENDING = ".cull.undo.json"
"""Ending of a cull's record for its undo, which contains texts of presets."""
GIT_S = 20.0
"""Maximum time to wait for git."""


@dataclass(frozen=True)
class FixedFile:
    """A file that was rewritten."""

    file: Path
    n_names: int
    """Number of names that changed."""
    in_git: bool
    """Whether git has the former text; no other copy is kept."""


@guarded
def fix_names(files: Sequence[Name], *, allow_roots: Sequence[Name] = ()) -> list[FixedFile]:
    """Rewrite files of an older grammar in place with today's names; comments, order and layout stay.

    It takes recipes, presets, overlays, files of jobs, cull plans and their records, and baselines. With a recipe it
    also rewrites its base, the presets that it uses, and its baselines. Returns the changed files. Raises RecipeError,
    before anything is written, for files that cannot be rewritten with the same meaning.

    Example:
        for one in chainrun.fix_names(["song.recipe.toml"]):
            print(one.file, one.n_names, "in git" if one.in_git else "no copy is kept")
    """
    every: dict[Path, None] = {}
    for file in files:
        for one in _with_companions(Path(file), [Path(root) for root in allow_roots]):
            every.setdefault(one.resolve())
    problems: list[Problem] = []
    planned: list[tuple[Path, str, int]] = []
    for path in every:
        try:
            before = _text(path)
            after, n_names = _today(path, before)
        except (ChainrunError, NotRewritableError, ValueError) as error:
            problems += _problems(path, error)
            continue
        if after != before:
            planned.append((path, after, n_names))
    if problems:
        raise RecipeError(problems)
    found = []
    for path, after, n_names in planned:
        in_git = _in_git(path)
        write_whole(path, after)
        found.append(FixedFile(path, n_names, in_git))
    return found


def _with_companions(path: Path, allow_roots: Sequence[Path]) -> Iterator[Path]:
    """The file itself; for a recipe also the files that it is made of, and its baselines."""
    if not path.is_file():
        raise UsageError(Problem("there is no such file", given=shown_path(path), code=Code.FILE_NOT_FOUND))
    yield path
    if FileKind.of_name(path.name) is not FileKind.RECIPE:
        return
    yield from sorted(path.parent.glob(f"{escape(recipe_name(path))}*{FileKind.BASELINE.value}"))
    try:
        opened = open_recipe(path, Overrides(allow_roots=allow_roots))
    except ChainrunError:
        return  # check reports its problems
    yield from opened.files()
    for name in opened.recipe.variants:
        try:
            yield from open_recipe(path, Overrides(variant=name, allow_roots=allow_roots)).files()
        except ChainrunError:
            continue


def _text(path: Path) -> str:
    """A file's text to the byte. Raises ChainrunError."""
    try:
        return path.read_bytes().decode("utf-8")
    except OSError as error:
        message = f"the file cannot be read ({reason(error)})"
        raise RecipeError(Problem(message, file=shown_path(path), code=Code.CANNOT_READ)) from error


def _today(path: Path, text: str) -> tuple[str, int]:
    """A file's text with today's names, and the number of changes."""
    mark, text = (BOM, text[1:]) if text.startswith(BOM) else ("", text)
    if path.name.endswith(RECORD_ENDING):
        new, n = _record(text)
    else:
        kind = FileKind.of_name(path.name)
        if kind is None:
            raise NotRewritableError("its name does not say what kind of file it is")
        if kind is FileKind.BASELINE:
            from chainrun.verify.rewrite_baseline import todays_baseline_text

            new, n = todays_baseline_text(text, _chains(path))
        else:
            new, n = todays_text(text, kind)
    return mark + new, n


def _record(text: str) -> tuple[str, int]:
    """The text of a cull's record with today's names, also in the texts of presets and files in it."""
    record = json.loads(text)
    n = 0

    def today(value: object, name: str) -> object:
        nonlocal n
        kind = FileKind.of_name(name)
        if not isinstance(value, str) or kind in (None, FileKind.BASELINE):
            return value
        new, changes = todays_text(value, kind)
        n += changes
        return new

    for one in record.get("operations", []) if isinstance(record, dict) else []:
        for key in ("before", "after", "text") if isinstance(one, dict) else ():
            if key in one:
                one[key] = today(one[key], str(one.get("file", "")))
    if isinstance(record, dict) and "cull" in record:
        record = {("grammar" if key == "cull" else key): value for key, value in record.items()}
        n += 1
    return (json.dumps(record, indent=1), n) if n else (text, 0)


def _chains(baseline: Path) -> Mapping[str, Mapping[str, str]]:
    """For each preset of the baseline's recipe: the hash of its chain with today's names, by that with older names."""
    from chainrun.verify.changed import presets, presets_as_written

    try:
        table = toml_file.read(baseline)
        opened = _recipe_of(baseline, table)
    except (ChainrunError, OSError, ValueError):
        return {}
    if opened is None:
        return {}
    today, written = presets(opened), presets_as_written(opened)
    # A chain without renamed keys has the same hash in both grammars.
    return {name: {written.get(name, now): now, now: now} for name, now in today.items()}


def _recipe_of(baseline: Path, table: Mapping[str, object]) -> Opened | None:
    path = baseline.parent / str(table.get("recipe", ""))
    if not path.is_file():
        return None
    return open_recipe(path, Overrides(variant=str(table.get("variant") or "") or None))


def _problems(path: Path, error: Exception) -> list[Problem]:
    if isinstance(error, ChainrunError):
        return list(error.problems)
    if isinstance(error, tomllib.TOMLDecodeError):
        quiet = Problems()
        read_toml(path, quiet)
        if quiet.errors:
            return quiet.errors
    hint = "change the names by hand: the reference lists today's"
    return [Problem(f"not rewritten: {error}", file=shown_path(path), hint=hint, code=Code.NOT_REWRITTEN)]


def _in_git(path: Path) -> bool:
    """Whether git has this text of the file: it is tracked, and unchanged since the last commit."""
    git = shutil.which("git")
    if git is None:
        return False

    def says_yes(*words: str) -> bool:
        command = [git, "-C", str(path.parent), *words, "--", path.name]
        try:
            return subprocess.run(command, capture_output=True, timeout=GIT_S, check=False).returncode == 0
        except (OSError, subprocess.TimeoutExpired):
            return False

    return says_yes("ls-files", "--error-unmatch") and says_yes("diff", "--quiet", "HEAD")
