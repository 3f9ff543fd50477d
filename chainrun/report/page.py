"""Writes a page: a folder with its figures and sounds, or one file that holds all of it."""

from __future__ import annotations

import base64
import hashlib
import json
import mimetypes
import re
import shutil
import tempfile
import weakref
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from urllib.parse import quote, unquote

from chainrun.errors import Problem, ResourceError, UsageError, printable, shown_path
from chainrun.problem_codes import Code
from chainrun.report.content import Block, DataTable, Figure, Page, Picture, Players, Section, Text, figure_table
from chainrun.whole_file import folder_prefix, refuse_others, write_whole

KINDS = {".flac": "audio/flac", ".mp3": "audio/mpeg", ".wav": "audio/wav"}
NUMBER = re.compile(r"[-+]?\d[\d.,:e+-]*( short)?|-inf|inf")
NO_NUMBER = ("-", "mute")
"""Cells that may be in a column of numbers."""


def need_report() -> None:
    """Raise UsageError where the extra `report` is not installed."""
    from importlib.util import find_spec

    missing = [name for name in ("jinja2", "matplotlib") if find_spec(name) is None]
    if missing:
        raise UsageError(
            Problem(
                f"pages need {' and '.join(missing)}, which {'is' if len(missing) == 1 else 'are'} not installed",
                hint="pip install 'chainrun[report]', or pip install -e '.[report]' in a checkout",
                code=Code.EXTRA_MISSING,
            )
        )


PAGE_ENDINGS = (".html", ".htm")
"""Of a page in one file."""


@dataclass(frozen=True)
class PagePlace:
    """The place of a page: its file, a folder for figures and sounds, and whether `file` embeds them."""

    file: Path
    folder: Path
    embed: bool

    @classmethod
    def of(cls, path: Path, embed: bool = False) -> PagePlace:
        """The place of a page: `NAME.html` or with `embed` a single file, else a folder with an index.html."""
        need_report()
        if path.suffix.lower() in PAGE_ENDINGS:
            _refuse_others(path)
            return cls._with_spare_folder(path)
        if path.exists() and not path.is_dir():
            raise UsageError(
                Problem(
                    "a page must be a folder, or a file called NAME.html",
                    given=shown_path(path),
                    hint=f"{path}.html",
                    code=Code.OPTION_VALUE,
                )
            )
        _refuse_others(path / "index.html")
        return cls._with_spare_folder(path / "index.html") if embed else cls(path / "index.html", path, False)

    @classmethod
    def _with_spare_folder(cls, file: Path) -> PagePlace:
        """A page in one file; figures and sounds are collected in a folder that is deleted with this object."""
        folder = tempfile.mkdtemp(prefix=folder_prefix("chainrun-page"))
        made = cls(file, Path(folder), True)
        weakref.finalize(made, shutil.rmtree, folder, True)
        return made


MADE_BY = '<meta name="generator" content="chainrun">'
LIST = ".chainrun-page.json"
"""List of the files beside a page, so that the next page can delete them."""


def _refuse_others(path: Path) -> None:
    """Raise UsageError where the file at `path` is not a page of chainrun."""
    refuse_others(path, "a page of chainrun", lambda begin: MADE_BY.encode() in begin)


def _drop_orphans(place: PagePlace, text: str) -> None:
    """Delete files of an earlier page in this folder that this one does not use; write the list for the next."""
    listed = place.folder / LIST
    try:
        before = json.loads(listed.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        before = []
    now = sorted({unquote(one) for one in re.findall(r'src(?:set)?="((?:figures|audio)/[^"]+)"', text)})
    for name in before if isinstance(before, list) else ():
        if name not in now and re.fullmatch(r"(?:figures|audio)/[^/]+", str(name)):
            (place.folder / str(name)).unlink(missing_ok=True)
    write_whole(listed, json.dumps(now, indent=0))


class _Shown:
    """Blocks, prepared for the template."""

    def __init__(self, place: PagePlace):
        self._place = place
        self._names: set[str] = set()

    def kind(self, block: Block) -> str:
        """The kind of a block, by which the template chooses how to write it."""
        match block:
            case Text():
                return "text"
            case DataTable():
                return "table"
            case Players():
                return "players"
            case Figure() | Picture():
                return "figure"

    def tables(self, figure: Figure | Picture) -> list[DataTable]:
        return [figure.table] if isinstance(figure, Picture) else figure_table(figure)

    def numeric(self, table: DataTable) -> list[bool]:
        return numeric(table)

    def images(self, figure: Figure | Picture) -> list[str]:
        """Addresses of a figure's drawings, for wide and for narrow screens; a picture has one for both."""
        if isinstance(figure, Picture):
            drawn = [figure.svg]
        else:
            from chainrun.report.draw import NARROW, WIDE, svg

            drawn = [svg(figure, size) for size in (WIDE, NARROW)]
        name = figure.name
        while name in self._names:
            name += "-"
        self._names.add(name)
        if self._place.embed:
            return ["data:image/svg+xml;base64," + base64.b64encode(one.encode()).decode() for one in drawn]
        files = [f"figures/{name}{mark}.svg" for mark in ("", ".narrow")[: len(drawn)]]
        for file, one in zip(files, drawn, strict=True):
            write_whole(self._place.folder / file, one)
        return files

    def sources(self, sounds: list[Path]) -> list[tuple[str, str]]:
        """Addresses and types of a player's files; a page in one file embeds the last alone, the smallest."""
        found = []
        for path in sounds[-1:] if self._place.embed else sounds:
            kind = KINDS.get(path.suffix.lower()) or mimetypes.guess_type(path.name)[0] or "application/octet-stream"
            if self._place.embed:
                found.append((f"data:{kind};base64," + base64.b64encode(path.read_bytes()).decode(), kind))
            else:
                found.append((quote(path.relative_to(self._place.folder).as_posix()), kind))
        return found


def anchor(title: str, taken: set[str]) -> str:
    """The name by which a section is linked to."""
    word = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:60] or "part"
    name, number = word, 2
    while name in taken:
        name, number = f"{word}-{number}", number + 1
    taken.add(name)
    return name


def numeric(table: DataTable) -> list[bool]:
    """For each column, whether it holds numbers, which are aligned to the right; the first one names the row."""
    found = [False]
    for k in range(1, len(table.head)):
        cells = {row[k] for row in table.rows} - {""}
        found.append(bool(cells) and all(cell in NO_NUMBER or NUMBER.fullmatch(cell) for cell in cells))
    return found


def html(page: Page, place: PagePlace) -> str:
    """The page as HTML; the figures of a page that is a folder are written beside it."""
    import jinja2

    source = files("chainrun.report")
    style = source.joinpath("page.css").read_text(encoding="utf-8")
    script = source.joinpath("page.js").read_text(encoding="utf-8")
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["shown"] = printable
    taken: set[str] = set()
    anchors = {id(section): anchor(section.title, taken) for section in _all(list(page.sections))}

    def hashed(text: str) -> str:
        return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()

    policy = (
        f"default-src 'none'; img-src 'self' data:; media-src 'self' data:; style-src '{hashed(style)}'; "
        f"script-src '{hashed(script)}'; base-uri 'none'; form-action 'none'"
    )
    values: dict[str, object] = {
        "page": page,
        "style": style,
        "script": script,
        "policy": policy,
        "show": _Shown(place),
        "anchors": anchors,
        "id": id,
    }
    template = environment.from_string(source.joinpath("page.html.j2").read_text(encoding="utf-8"))
    return template.render(**values)


def _all(sections: list[Section]) -> Iterator[Section]:
    for one in sections:
        yield one
        yield from _all(list(one.inner))


def write_page(page: Page, place: PagePlace) -> Path:
    """Write a page, whole. Raises ResourceError."""
    try:
        place.folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResourceError(
            Problem(
                f"the page's folder cannot be made ({error.strerror})",
                file=shown_path(place.folder),
                code=Code.OUTPUT_NOT_WRITABLE,
            )
        ) from error
    try:
        text = html(page, place)
        write_whole(place.file, text)
        if not place.embed:
            _drop_orphans(place, text)
    finally:
        if place.embed:
            shutil.rmtree(place.folder, ignore_errors=True)
    return place.file
