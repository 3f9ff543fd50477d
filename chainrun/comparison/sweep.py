"""Renders a recipe at several values of one key: a table, and copies matched in loudness for listening."""

from __future__ import annotations

import re
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from chainrun.audiofile.write import Writer
from chainrun.comparison.difference import Difference, difference
from chainrun.comparison.pairs import Progress
from chainrun.comparison.sounds import AlignedStream, rate_of
from chainrun.delivery import RenderOptions, RenderResult, render
from chainrun.errors import Problem, UsageError
from chainrun.measured import finite
from chainrun.plan import build_plan
from chainrun.problem_codes import Code
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.address import steps_around
from chainrun.store import hasher

MIN_VALUES = 2
MAX_MATCH_DB = 200.0
"""A larger matching gain would be that of a silent render, and is not applied."""
MAX_FOLDER_CHARACTERS = 120
COPY_FRAMES = 1 << 16


@dataclass(frozen=True)
class ValuesOfKey:
    """A key of a recipe (`buses.kit.chain.0.attack_ms`), and the values to sweep, as they would be written."""

    path: str
    values: tuple[str, ...]

    @classmethod
    def of(cls, text: str) -> ValuesOfKey:
        """Read `PATH=V1,V2,…`. Raises UsageError."""
        path, mark, values = text.partition("=")
        found = tuple(value.strip() for value in values.split(",") if value.strip())
        if not mark or not path.strip() or len(found) < MIN_VALUES:
            raise UsageError(
                Problem(
                    "a sweep must be written as PATH=VALUE,VALUE,…",
                    given=text,
                    hint="buses.kit.chain.0.attack_ms=1,3,10,30",
                    code=Code.BAD_SWEEP,
                )
            )
        return cls(path.strip(), found)


@dataclass(frozen=True)
class Swept:
    """One value, its render, and the difference from the first value's render."""

    value: str
    result: RenderResult
    matched: Path
    """The first delivery as FLAC, at the loudness of the quietest of all values."""
    against_first: Difference | None
    """Difference from the first value; None for that one."""


@dataclass(frozen=True)
class SweepRow:
    """The measurements of one value, rounded to hundredths; None if not available."""

    value: str
    integrated_lufs: float
    true_peak_dbtp: float | None
    crest_db: float | None
    range_lu: float | None
    range_is_short: bool
    gain_reduction_max_db: float | None
    """Maximum gain reduction of the step that the path addresses; None if that has none."""
    gain_reduction_mean_db: float | None
    residual_lu: float | None
    """Residual against the first value; None for that one."""
    verdict: str
    failures: tuple[str, ...]
    file: str
    matched: str


@dataclass(frozen=True)
class Sweep:
    """Result of a sweep: the recipe's key, and the render of each value."""

    path: str
    found: tuple[Swept, ...]

    def rows(self) -> list[SweepRow]:
        """One row of measurements for each value."""
        return [_row(self.path, one) for one in self.found]

    def record(self) -> dict[str, object]:
        """The sweep as a JSON document."""
        rows = [asdict(row) | {"failures": list(row.failures)} for row in self.rows()]
        return {"schema_version": 1, "path": self.path, "values": rows}


def sweep(
    recipe: Path,
    key: ValuesOfKey,
    out: Path,
    *,
    chosen: Overrides | None = None,
    options: RenderOptions | None = None,
    progress: Progress | None = None,
) -> Sweep:
    """Render a recipe once for each value of a key, each into its own folder in `out`.

    A copy of each first delivery is written beside its folder, at the loudness of the quietest one. `chosen` applies
    before the value. Raises RecipeError, AudioError, ResourceError.
    """
    chosen, options = chosen or Overrides(), options or RenderOptions()
    results = []
    for value in key.values:
        sets = (*chosen.sets, f"{key.path}={value}")
        plan = build_plan(open_recipe(recipe, replace(chosen, sets=sets)), hash_file=hasher(options.store))
        folder = out / re.sub(r"[^A-Za-z0-9_.=+-]", "_", f"{key.path}={value}")[-MAX_FOLDER_CHARACTERS:]
        results.append((value, folder, render(plan, folder, options, progress=progress)))
    files = [Path(result.deliveries[0].file) for _, _, result in results]
    quietest = min(result.deliveries[0].measured.integrated_lufs for _, _, result in results)
    found = []
    for (value, folder, result), file in zip(results, files, strict=True):
        matched = out / f"{folder.name}.flac"
        copy_louder(file, matched, quietest - result.deliveries[0].measured.integrated_lufs)
        apart = difference(files[0], file) if file != files[0] else None
        found.append(Swept(value, result, matched, apart))
    return Sweep(key.path, tuple(found))


def copy_louder(source: Path, target: Path, gain_db: float) -> None:
    """Copy a file as 24-bit FLAC, with a gain. Raises ResourceError."""
    rate = rate_of(source)
    with (
        closing(AlignedStream(source, rate, 0.0, gain_db if abs(gain_db) < MAX_MATCH_DB else 0.0)) as stream,
        Writer(target, rate, 2, stream.n_frames) as writer,
    ):
        for at in range(0, stream.n_frames, COPY_FRAMES):
            writer.write(stream.read(min(COPY_FRAMES, stream.n_frames - at)))
        writer.finish()


def _row(path: str, one: Swept) -> SweepRow:
    delivery, apart = one.result.deliveries[0], one.against_first
    measured = delivery.measured
    largest, mean = _reductions(path, one.result)
    return SweepRow(
        value=one.value,
        integrated_lufs=round(measured.integrated_lufs, 2),
        true_peak_dbtp=finite(measured.true_peak_dbtp),
        crest_db=finite(measured.crest_db),
        range_lu=finite(measured.range_lu),
        range_is_short=measured.range_is_short,
        gain_reduction_max_db=largest,
        gain_reduction_mean_db=mean,
        residual_lu=finite(apart.residual_lu) if apart is not None else None,
        verdict=apart.sentence() if apart is not None else "the first",
        failures=tuple(one.result.failures),
        file=str(delivery.file),
        matched=str(one.matched),
    )


def _reductions(path: str, result: RenderResult) -> tuple[float | None, float | None]:
    """Maximum and mean gain reduction of the step that the path addresses; None for a step without."""
    for step in steps_around(path):
        try:
            return (
                round(result.reading_at(f"{step}.gain_reduction_max_db"), 2),
                round(result.reading_at(f"{step}.gain_reduction_mean_db"), 2),
            )
        except KeyError:
            continue
    return None, None
