"""Checks a pack from a stranger: names stay inside its folder, checksums agree, the recipe is valid."""

from __future__ import annotations

import hashlib
import lzma
import stat
import struct
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from chainrun.errors import ChainrunError, Problem, RecipeError, reason, shown, shown_path
from chainrun.limits import Limits
from chainrun.pack.make import SUMS
from chainrun.plan import Plan, build_plan
from chainrun.problem_codes import Code
from chainrun.recipe import Opened, open_recipe
from chainrun.recipe.roots import MARK
from chainrun.whole_file import work_folder

OF_ROOTS = (Code.OUTSIDE_ROOT, Code.UNUSABLE_PATH)
"""Problems whose hint is to allow another root, which does not apply to a pack."""
MAX_FILES = 4096
MAX_SUMS_BYTES = 1 << 20
MAX_RATIO = 200
"""Maximum ratio of unpacked to packed size: audio and text stay far below it, a zip bomb is far above."""


@dataclass(frozen=True)
class CheckedPack:
    """Result of checking a pack."""

    n_files: int
    problems: list[Problem]
    """Damaged, missing and unlisted files."""
    opened: Opened | None
    plan: Plan | None


def check_pack(path: Path) -> CheckedPack:
    """Check a pack. Raises RecipeError if it is not a pack, or would write outside its folder."""
    if not path.is_file():
        if path.exists():
            raise RecipeError(Problem("this is not a plain file", file=shown_path(path), code=Code.NOT_A_PLAIN_FILE))
        raise RecipeError(Problem("there is no such file", file=shown_path(path), code=Code.FILE_NOT_FOUND))
    if (over := Limits.of(()).exceeded("file_gb", path.stat().st_size / 1e9, "the pack's size")) is not None:
        raise RecipeError(replace(over, file=shown_path(path)))
    try:
        with zipfile.ZipFile(path) as file:
            return _check(path, file)
    except (
        lzma.LZMAError,
        struct.error,
        ValueError,
        zlib.error,
        zipfile.BadZipFile,
        zipfile.LargeZipFile,
        NotImplementedError,
        RuntimeError,
        EOFError,
        OSError,
    ) as error:
        raise RecipeError(
            Problem(
                f"this pack cannot be read ({reason(error)})",
                file=shown_path(path),
                hint="download or copy it again",
                code=Code.NO_PACK,
            )
        ) from error


def _check(path: Path, file: zipfile.ZipFile) -> CheckedPack:
    entries = [one for one in file.infolist() if not one.filename.endswith("/")]
    _refuse_traps(path, entries)
    folder = PurePosixPath(entries[0].filename).parts[0] if entries else ""
    names = {str(PurePosixPath(one.filename).relative_to(folder)): one for one in entries}
    sums = _sums_of(path, file, names)
    problems = [
        _damage(path, f"{shown(name)} is in the pack, but not in its list", None)
        for name in names
        if name != SUMS and name not in sums
    ]
    if problems:  # an unlisted file: nothing is unpacked
        return CheckedPack(len(entries), problems, None, None)
    problems = [
        _damage(path, f"{shown(name)} is in the list, but not in the pack") for name in sums if name not in names
    ]
    with work_folder("chainrun-unpack") as work:
        for name, entry in names.items():
            digest = _unpack(file, entry, work / name)
            if name != SUMS and digest != sums[name]:
                problems.append(_damage(path, f"{shown(name)} was changed after packing"))
        (work / MARK).touch()  # makes the pack its own root, whatever is above the temporary folder
        recipes = sorted(work.glob("*.recipe.toml"))
        if len(recipes) != 1:
            given = f"{len(recipes)} recipes"
            raise RecipeError(
                Problem(
                    "a pack must contain exactly one recipe",
                    file=shown_path(path),
                    given=given,
                    code=Code.PACK_WITHOUT_RECIPE,
                )
            )
        if problems:
            return CheckedPack(len(entries), problems, None, None)
        try:
            opened = open_recipe(recipes[0])
            plan = build_plan(opened, hash_file=None)
        except ChainrunError as error:
            raise type(error)([_inside(path, work, one) for one in error.problems]) from error
        return CheckedPack(len(entries), problems, opened, plan)


def _damage(path: Path, message: str, hint: str | None = "download or copy it again") -> Problem:
    return Problem(message, file=shown_path(path), hint=hint, code=Code.PACK_DAMAGED)


def _sums_of(path: Path, file: zipfile.ZipFile, names: Mapping[str, zipfile.ZipInfo]) -> dict[str, str]:
    """The checksums in the pack's list, by file. Raises RecipeError if the list is missing or too long."""
    if SUMS not in names:
        raise RecipeError(Problem(f"this is not a pack: {SUMS} is missing", file=shown_path(path), code=Code.NO_PACK))
    if names[SUMS].file_size > MAX_SUMS_BYTES:
        raise RecipeError(
            Problem(
                f"{SUMS} is too long",
                file=shown_path(path),
                given=f"{names[SUMS].file_size / 1e6:.1f} MB",
                allowed=f"{MAX_SUMS_BYTES >> 20} MiB",
                code=Code.PACK_UNSAFE,
            )
        )
    return _sums(path, file.read(names[SUMS]).decode("utf-8", "replace"))


def _unpack(file: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path) -> str:
    """Unpack one file; returns its SHA-256."""
    target.parent.mkdir(parents=True, exist_ok=True)
    digest = hashlib.sha256()
    with file.open(entry) as source, target.open("wb") as out:
        while piece := source.read(1 << 20):
            digest.update(piece)
            out.write(piece)
    return digest.hexdigest()


def _inside(path: Path, work: Path, problem: Problem) -> Problem:
    """A problem of an unpacked file as one of the pack: its place without the temporary folder."""
    file = problem.file or ""
    for folder in (str(work.resolve()), str(work)):
        if folder in file:
            file = f"{shown_path(path)}, {file.partition(folder)[2].lstrip('/')}"
    return replace(problem, file=file, hint=None if problem.code in OF_ROOTS else problem.hint)


def _refuse_traps(path: Path, entries: list[zipfile.ZipInfo]) -> None:
    """Raise RecipeError for a pack whose files would leave its folder, overwrite each other or fill the disk."""

    def refuse(message: str, given: str) -> RecipeError:
        return RecipeError(Problem(message, file=shown_path(path), given=shown(given), code=Code.PACK_UNSAFE))

    if not entries:
        raise refuse("the pack is empty", path.name)
    if len(entries) > MAX_FILES:
        raise refuse("the pack contains too many files", str(len(entries)))
    if not all(PurePosixPath(one.filename).parts for one in entries):
        raise refuse("a file in the pack has no name", "")
    folder, seen = PurePosixPath(entries[0].filename).parts[0], set()
    total = 0
    for one in entries:
        trap = _trap(one, folder)
        if trap is not None:
            raise refuse(trap, one.filename)
        if one.filename.lower() in seen:
            raise refuse("the pack contains a name twice", one.filename)
        seen.add(one.filename.lower())
        total += one.file_size
        if one.file_size > (1 << 20) + MAX_RATIO * one.compress_size:
            raise refuse("a file in the pack would unpack to many times its size", one.filename)
    if (over := Limits.of(()).exceeded("disk_gb", total / 1e9, "the unpacked size of the pack")) is not None:
        raise RecipeError(replace(over, file=shown_path(path)))


def _trap(entry: zipfile.ZipInfo, folder: str) -> str | None:
    """The reason to refuse a file of a pack by its name or kind; None if there is none."""
    name, parts = entry.filename, PurePosixPath(entry.filename).parts
    if name.startswith("/") or ".." in parts or "\\" in name or ":" in name:
        return "a name in the pack points outside its folder"
    if stat.S_ISLNK(entry.external_attr >> 16):
        return "the pack contains a link"
    if len(parts) < 2 or parts[0] != folder:
        return "all files of a pack must be in one folder"
    if "." in name.split("/") or "//" in name:
        return "a name in the pack contains empty parts or dots"
    return None


def _sums(path: Path, text: str) -> dict[str, str]:
    found = {}
    for number, line in enumerate(text.splitlines(), 1):
        digest, gap, name = line.partition("  ")
        if not gap or len(digest) != 64:
            raise RecipeError(
                Problem(f"{SUMS} is damaged in line {number}", file=shown_path(path), code=Code.PACK_DAMAGED)
            )
        found[name] = digest
    return found
