"""One number of a recipe at several values: a table, and renders matched in loudness for listening."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from chainrun.audiofile.write import Writer
from chainrun.comparison.difference import Difference, difference
from chainrun.comparison.sounds import AlignedStream, rate_of
from chainrun.delivery import RenderOptions, RenderResult, render
from chainrun.errors import Problem, UsageError
from chainrun.measured import finite
from chainrun.plan import build_plan
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.address import steps_around
from chainrun.store import hasher


@dataclass(frozen=True)
class Swept:
    """One value, its render and how it lies against the first one's."""

    value: str
    result: RenderResult
    matched: Path
    against_first: Difference | None


def parsed(text: str) -> tuple[str, list[str]]:
    """`PATH=V1,V2,…`. Raises UsageError."""
    path, mark, values = text.partition("=")
    found = [value.strip() for value in values.split(",") if value.strip()]
    if not mark or not path.strip() or len(found) < 2:
        raise UsageError(
            Problem("--sweep wants PATH=VALUE,VALUE,…", given=text, hint="buses.kit.chain.0.attack_ms=1,3,10,30")
        )
    return path.strip(), found


def sweep(
    recipe: Path,
    chosen: Overrides,
    path: str,
    values: Sequence[str],
    out: Path,
    options: RenderOptions,
    progress: Callable[[str, float], None] | None = None,
) -> list[Swept]:
    """Render a recipe once for each value into `out`, with a copy as soft as the softest of them beside each."""
    results = []
    for value in values:
        sets = (*chosen.sets, f"{path}={value}")
        plan = build_plan(open_recipe(recipe, replace(chosen, sets=sets)), hash_file=hasher(options.store))
        folder = out / re.sub(r"[^A-Za-z0-9_.=+-]", "_", f"{path}={value}")[-120:]
        results.append((value, folder, render(plan, folder, options, progress=progress)))
    files = [Path(result.deliveries[0].file) for _, _, result in results]
    softest = min(result.deliveries[0].measured.integrated_lufs for _, _, result in results)
    found = []
    for (value, folder, result), file in zip(results, files, strict=True):
        matched = out / f"{folder.name}.flac"
        copy_louder(file, matched, softest - result.deliveries[0].measured.integrated_lufs)
        apart = difference(files[0], file) if file != files[0] else None
        found.append(Swept(value, result, matched, apart))
    return found


def copy_louder(source: Path, target: Path, gain_db: float) -> None:
    """A file as FLAC of 24 bits, by so much louder. Raises ResourceError."""
    rate = rate_of(source)
    with (
        closing(AlignedStream(source, rate, 0.0, gain_db if abs(gain_db) < 200.0 else 0.0)) as stream,
        Writer(target, rate, 2, stream.n_frames) as writer,
    ):
        for at in range(0, stream.n_frames, 1 << 16):
            writer.write(stream.read(min(1 << 16, stream.n_frames - at)))
        writer.finish()


def rows(path: str, found: Sequence[Swept]) -> list[dict[str, Any]]:
    """A row a value, for a table and for JSON."""
    told = []
    for one in found:
        measured = one.result.deliveries[0].measured
        node = _node_of(path, one.result)
        told.append(
            {
                "value": one.value,
                "integrated_lufs": round(measured.integrated_lufs, 2),
                "true_peak_dbtp": finite(measured.true_peak_dbtp),
                "crest_db": finite(measured.crest_db),
                "range_lu": finite(measured.range_lu),
                "range_is_short": measured.range_is_short,
                "gain_reduction_max_db": node[0],
                "gain_reduction_mean_db": node[1],
                "residual_lu": finite(one.against_first.residual_lu) if one.against_first is not None else None,
                "verdict": one.against_first.sentence() if one.against_first is not None else "the first",
                "failures": one.result.failures,
                "file": str(one.result.deliveries[0].file),
                "matched": str(one.matched),
            }
        )
    return told


def _node_of(path: str, result: RenderResult) -> tuple[float | None, float | None]:
    """The gain reduction of the step that the path is about, where it has one."""
    for step in steps_around(path):
        try:
            return (
                round(result.reading_at(f"{step}.gain_reduction_max_db"), 2),
                round(result.reading_at(f"{step}.gain_reduction_mean_db"), 2),
            )
        except KeyError:
            continue
    return None, None
