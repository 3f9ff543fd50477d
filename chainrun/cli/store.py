"""chainrun store: the cached prints."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from chainrun.cli.options import AsJson, Quiet, StoreFolder, refuse
from chainrun.cli.terminal import put, put_json, show_problems, table
from chainrun.errors import EXIT_DONE, EXIT_FAILED, EXIT_RESOURCES
from chainrun.problem_codes import Code

if TYPE_CHECKING:
    from chainrun.store.store import Kept, Store

app = typer.Typer(name="store", help="Cached prints: size, pruning, checksums.", no_args_is_help=True)


@app.callback()
def _root() -> None:
    pass


@app.command()
def info(
    store: StoreFolder = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Show the store's folder, size and limit."""
    from chainrun.store.store import GB, limit_gb

    opened = _opened(store)
    kept = opened.kept()
    total = sum(one.n_bytes for one in kept)
    parts = opened.parts()
    limit = limit_gb()
    parts_gb = round(sum(_size(part) for part in parts) / GB, 3)
    oldest_days = round(_days(kept[0].used), 2) if kept else None
    if as_json:
        put_json(
            {
                "schema_version": 1,
                "folder": str(opened.folder),
                "prints": len(kept),
                "gb": round(total / GB, 3),
                "limit_gb": limit,
                "parts": len(parts),
                "parts_gb": parts_gb,
                "least_recent_use_days": oldest_days,
            }
        )
        return EXIT_DONE
    put(f"store   {opened.folder}")
    if parts:
        put(
            f"parts   {len(parts)} half-written, {parts_gb:g} GB; of killed renders: chainrun store prune removes those"
        )
    put(f"prints  {len(kept)}, {round(total / GB, 3):g} GB of at most {limit:g} GB")
    if oldest_days is not None:
        put(f"oldest  last used {oldest_days:g} days ago")
    return EXIT_DONE


@app.command()
def prune(
    keep_gb: Annotated[
        float | None,
        typer.Option("--keep-gb", metavar="N", min=0, help="Remove the least recently used prints over N GB."),
    ] = None,
    older_than: Annotated[
        float | None,
        typer.Option("--older-than", metavar="D", min=0, help="Remove prints that were not used for D days."),
    ] = None,
    store: StoreFolder = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Remove prints, and half-written files of killed renders.

    Without options only the half-written files are removed. Prints that a running render uses stay.
    """
    opened = _opened(store)
    left = opened.clean()
    if left and not as_json:
        put(f"{left} half-written files of killed renders removed")
    dropped = opened.prune(keep_gb=keep_gb, older_than_days=older_than)
    return _show(dropped, "removed", as_json, EXIT_DONE)


@app.command()
def check(
    store: StoreFolder = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> int:
    """Check every print against its checksum.

    A damaged print is removed, and rendered again when it is needed.
    """
    found = _opened(store).check()
    show_problems(found.unread, count=False)
    code = EXIT_RESOURCES if found.unread else EXIT_FAILED if found.dropped else EXIT_DONE
    return _show(list(found.dropped), "damaged and removed", as_json, code)


def _opened(folder: Path | None) -> Store:
    from chainrun.store.store import Store, default_folder

    place = folder or default_folder()
    if place is None:
        message = "there is no home folder, and --store is not given"
        raise refuse(message, hint="--store DIR, or CHAINRUN_STORE", code=Code.NO_HOME_FOLDER)
    return Store(place)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _days(used: float) -> float:
    return max(0.0, time.time() - used) / 86400


def _show(found: list[Kept], what: str, as_json: bool, code: int) -> int:
    if as_json:
        prints = [{"identity": one.identity, "bytes": one.n_bytes, "unused_days": _days(one.used)} for one in found]
        put_json({"schema_version": 1, "prints": prints})
        return code
    if found:
        rows = [[one.identity[:16], f"{one.n_bytes / 1e6:.1f}", f"{_days(one.used):.1f}"] for one in found]
        put(table(["print", "size MB", "unused days"], rows))
    put(f"{len(found)} prints {what}, {sum(one.n_bytes for one in found) / 1e9:.3f} GB")
    return code
