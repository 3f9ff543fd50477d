"""chainrun store: the kept prints."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from chainrun.cli.options import AsJson, StoreFolder, refuse
from chainrun.cli.terminal import put, put_json, table, talk
from chainrun.errors import EXIT_DONE, EXIT_FAILED, EXIT_RESOURCES
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from chainrun.store.store import Kept, Store

app = typer.Typer(
    name="store", help="The kept prints: how many, drop some, hold them against their checksums.", no_args_is_help=True
)


@app.callback()
def _root() -> None:
    pass


@app.command()
def info(store: StoreFolder = None, as_json: AsJson = False) -> int:
    """Where the store is, how much it holds, and its limit."""
    from chainrun.store.store import GB, limit_gb

    opened = _opened(store)
    kept = opened.kept()
    total = sum(one.n_bytes for one in kept)
    parts = opened.parts()
    record: dict[str, Any] = {
        "schema_version": 1,
        "folder": str(opened.folder),
        "prints": len(kept),
        "gb": round(total / GB, 3),
        "limit_gb": limit_gb(),
        "parts": len(parts),
        "parts_gb": round(sum(_size(part) for part in parts) / GB, 3),
        "least_recent_use_days": round(_days(kept[0].used), 2) if kept else None,
    }
    if as_json:
        put_json(record)
        return EXIT_DONE
    put(f"store   {record['folder']}")
    if parts:
        size = record["parts_gb"]
        put(f"parts   {len(parts)} half-written, {size:g} GB; what killed renders left goes with: chainrun store prune")
    put(f"prints  {record['prints']}, {record['gb']:g} GB of at most {record['limit_gb']:g} GB")
    if kept:
        put(f"oldest  last used {record['least_recent_use_days']:g} days ago")
    return EXIT_DONE


@app.command()
def prune(
    keep_gb: Annotated[
        float | None, typer.Option("--keep-gb", metavar="N", min=0, help="Drop the least recently used over N GB.")
    ] = None,
    older_than: Annotated[
        float | None, typer.Option("--older-than", metavar="D", min=0, help="Drop what was not used for D days.")
    ] = None,
    store: StoreFolder = None,
    as_json: AsJson = False,
) -> int:
    """Drop prints, and what killed renders left half-written; without options that alone. What a render uses stays."""
    opened = _opened(store)
    left = opened.clean()
    if left and not as_json:
        talk(f"{left} half-written files of killed renders were taken away")
    dropped = opened.prune(keep_gb=keep_gb, older_than_days=older_than)
    return _told(dropped, "dropped", as_json, EXIT_DONE)


@app.command()
def check(store: StoreFolder = None, as_json: AsJson = False) -> int:
    """Hold every print against its checksum; a damaged one is dropped, and rendered again when it is needed."""
    found = _opened(store).check()
    for problem in found.unread:
        talk(problem.text())
    code = EXIT_RESOURCES if found.unread else EXIT_FAILED if found.dropped else EXIT_DONE
    return _told(list(found.dropped), "damaged and dropped", as_json, code)


def _opened(folder: Path | None) -> Store:
    from chainrun.store.store import Store, default_folder

    place = folder or default_folder()
    if place is None:
        message = "there is no home folder, and no store was named"
        raise refuse(message, hint="--store DIR, or CHAINRUN_STORE", code=Code.NO_HOME_FOLDER)
    return Store(place)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _days(used: float) -> float:
    return max(0.0, time.time() - used) / 86400


def _told(found: list[Kept], what: str, as_json: bool, code: int) -> int:
    if as_json:
        prints = [{"identity": one.identity, "bytes": one.n_bytes, "unused_days": _days(one.used)} for one in found]
        put_json({"schema_version": 1, "prints": prints})
        return code
    if found:
        rows = [[one.identity[:16], f"{one.n_bytes / 1e6:.1f}", f"{_days(one.used):.1f}"] for one in found]
        put(table(["print", "MB", "days unused"], rows))
    put(f"{len(found)} prints {what}, {sum(one.n_bytes for one in found) / 1e9:.3f} GB")
    return code
