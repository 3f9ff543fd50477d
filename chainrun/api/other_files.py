"""Checks the files around a recipe: presets, overlays, files of jobs, cull plans, baselines."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from chainrun.errors import Problem, RecipeError
from chainrun.problem_codes import Code
from chainrun.recipe.load import read_toml
from chainrun.recipe.model import PresetFile, Recipe
from chainrun.recipe.overlay import SPECIAL_KEYS
from chainrun.recipe.problems import Problems
from chainrun.recipe.renamed import FileKind
from chainrun.recipe.tables import Items, Place, Table, wrap
from chainrun.recipe.validate import validate


def check_other(path: Path, kind: FileKind) -> tuple[str, list[Problem]]:
    """Check one file that is not a recipe: what it is, in words, and its problems; names of before are warnings.

    A preset's own steps are checked, those of presets inside it where they are used. The paths of an overlay are
    checked with its recipe alone. Raises ChainrunError with all problems of a file that is not valid.
    """
    problems = Problems()
    table = read_toml(path.absolute(), problems, kind=kind)
    if table is None:
        raise RecipeError(problems.found)
    words = _CHECKS[kind](path, table, problems)
    problems.stop_if_any()
    return words, [*problems.renamed, *problems.warnings]


def _preset(path: Path, table: Table, problems: Problems) -> str:
    validate(PresetFile, table, problems)
    chain = table.get("chain")
    if isinstance(chain, Items):
        place = Place(path)
        steps = [one for one in chain if not (isinstance(one, dict) and "preset" in one)]
        recipe = wrap({"grammar": 1, "stems": {"x": {"file": "x.wav"}}}, place)
        own = Items(chain.place)
        for step in steps:
            own.add(step, step.place if isinstance(step, Table) else chain.place)
        recipe["stems"]["x"].put("chain", own, chain.place)
        validate(Recipe, recipe, problems)
    return "a valid preset"


def _overlay(_path: Path, table: Table, problems: Problems) -> str:
    version = table.get("grammar", 1)
    if version != 1 or isinstance(version, bool):
        problems.add(table.where["grammar"], "this grammar is not known", given=str(version), code=Code.UNKNOWN_VERSION)
    n = len([key for key in table if key not in SPECIAL_KEYS])
    special = [key for key in ("remove", "replace_presets") if key in table]
    holds = " and ".join([*([f"{n} key{'s' if n != 1 else ''}"] if n or not special else []), *special])
    return f"an overlay with {holds}; its paths are checked together with a recipe"


def _jobs(path: Path, _table: Table, _problems: Problems) -> str:
    from chainrun.batch.jobs import open_jobs

    n_jobs = len(open_jobs(path).jobs)
    return f"valid; {n_jobs} job{'s' if n_jobs != 1 else ''}"


def _cull(path: Path, _table: Table, _problems: Problems) -> str:
    from chainrun.cull.plan import read_plan

    return f"valid; decisions about {len(read_plan(path).file.preset)} presets"


def _baseline(path: Path, _table: Table, _problems: Problems) -> str:
    from chainrun.verify.baseline import read

    n = len(read(path).deliveries)
    return f"valid; {n} deliver{'ies' if n != 1 else 'y'}"


_CHECKS: dict[FileKind, Callable[[Path, Table, Problems], str]] = {
    FileKind.PRESET: _preset,
    FileKind.OVERLAY: _overlay,
    FileKind.JOBS: _jobs,
    FileKind.CULL: _cull,
    FileKind.BASELINE: _baseline,
}
