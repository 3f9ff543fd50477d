"""Reads NAME.jobs.toml: its grammar, and the jobs it stands for."""

from __future__ import annotations

import glob
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field

from chainrun.contract import StrictModel, Version
from chainrun.errors import Problem, RecipeError, UsageError, nearest, shown_path
from chainrun.limits import Limits
from chainrun.problem_codes import Code
from chainrun.recipe import Overrides
from chainrun.recipe.load import read_toml, recipe_name
from chainrun.recipe.model import Name
from chainrun.recipe.problems import Problems
from chainrun.recipe.renamed import FileKind
from chainrun.recipe.tables import place_of
from chainrun.recipe.toml_text import toml_text
from chainrun.recipe.validate import validate

Value = str | int | float | bool | list[Any] | dict[str, object]


def plain_path(text: str) -> str:
    """The text, if it is a valid path. Raises ValueError for others."""
    if "\0" in text:
        raise ValueError("a path cannot contain a zero byte")
    return text


Path_ = Annotated[str, Field(min_length=1, max_length=1000), AfterValidator(plain_path)]


class JobSettings(StrictModel):
    """Changes and folders for the recipes of a job; paths are relative to the jobs file."""

    variant: Name | None = Field(None, description="a variant of the recipe")
    overlays: list[Path_] = Field(default_factory=list, max_length=64, description="overlays, in their order")
    set: dict[str, Value] = Field(default_factory=dict, max_length=1000, description="PATH = value, as --set does")
    only: list[Name] = Field(default_factory=list, max_length=256, description="stems or buses; all others are mute")
    compare: bool = Field(False, description="also render without the overlays, into before/, and compare the two")
    stems_dir: Path_ | None = Field(None, description="folder of the stems, in place of the recipe's stems_dir")
    allow_roots: list[Path_] = Field(
        default_factory=list, max_length=64, description="more folders that recipes may read"
    )


class JobEntry(JobSettings):
    """One or several recipes, rendered with the same settings."""

    recipes: list[Path_] = Field(min_length=1, max_length=10000, description="recipes, or patterns with * ? [] **")
    name: Name | None = Field(None, description="name of a job with one recipe (default: RECIPE or RECIPE.VARIANT)")
    out: Path_ | None = Field(None, description="output folder (default: NAME inside the batch's)")
    note: str | None = Field(None, description="free text")


class OneGain(StrictModel):
    """One gain for a whole set of recipes, which keeps the balance between them."""

    target_lufs: float = Field(ge=-60, le=0, description="integrated loudness to which the loudest main is brought")
    max_dbtp: float = Field(-1.0, ge=-60, le=6, description="maximum true peak of any main")


class JobsFile(StrictModel):
    """Recipes to render in one batch."""

    grammar: Version = Field(description="version of the grammar")
    note: str | None = Field(None, description="free text")
    out: Path_ = Field("out", description="folder for all output and batch.json")
    on_error: Literal["stop", "continue"] = Field("continue", description="what to do after a job failed")
    one_gain: OneGain | None = Field(None, description="one gain for all recipes, instead of the deliveries' targets")
    defaults: JobSettings = Field(default_factory=lambda: JobSettings(), description="defaults for all jobs")
    job: list[JobEntry] = Field(min_length=1, max_length=10000, description="the jobs")


@dataclass(frozen=True)
class Job:
    """One recipe to render, with all its overrides."""

    name: str
    recipe: Path
    overrides: Overrides
    out: Path
    only: tuple[str, ...] = ()
    compare: bool = False
    """Whether to render it without its overlays, too, and compare."""


@dataclass(frozen=True)
class Jobs:
    """All jobs of a file, in the file's order."""

    path: Path
    out: Path
    stop_on_error: bool
    jobs: tuple[Job, ...]
    one_gain: OneGain | None = None


def open_jobs(path: Path, limits: Limits | None = None, allow_roots: Sequence[Path] = ()) -> Jobs:
    """Read a file of jobs; `limits` apply to its recipes, which may also read `allow_roots`.

    Raises RecipeError with every problem in it.
    """
    problems = Problems()
    path = path.absolute()
    limits = limits or Limits.of(())
    table = read_toml(path, problems, limits, kind=FileKind.JOBS)
    problems.stop_if_any()
    assert table is not None, "reading fails with a problem"
    model = validate(JobsFile, table, problems)
    problems.stop_if_any()
    assert model is not None, "validation fails with a problem"
    here = path.parent
    base = here / model.out
    found: list[Job] = []
    for i, entry in enumerate(model.job):
        recipes = _recipes(here, entry.recipes)
        if not recipes:
            problems.add(
                place_of(table, ("job", i, "recipes")),
                "no recipe found",
                given=", ".join(entry.recipes),
                code=Code.NO_RECIPE_FOUND,
            )
        for key, value, message in (
            ("name", entry.name, "name requires a single recipe"),
            ("out", entry.out, "out requires a single recipe"),
        ):
            if value is not None and len(recipes) > 1:
                place, given = place_of(table, ("job", i, key)), f"{len(recipes)} recipes"
                problems.add(place, message, given=given, code=Code.JOB_OF_SEVERAL_RECIPES)
        for recipe in recipes:
            job = _job(here, base, model.defaults, entry, recipe=recipe, limits=limits)
            more = (*job.overrides.allow_roots, *(one.absolute() for one in allow_roots))
            job = replace(job, overrides=replace(job.overrides, allow_roots=more))
            if any(other.name == job.name for other in found):
                problems.add(
                    place_of(table, ("job", i)),
                    "two jobs have the same name",
                    given=f'"{job.name}"',
                    hint="give one of them a name",
                    code=Code.TWO_JOBS_ONE_NAME,
                )
            found.append(job)
    problems.stop_if_any()
    return Jobs(path, base, model.on_error == "stop", tuple(found), model.one_gain)


def _recipes(here: Path, patterns: Sequence[str]) -> list[Path]:
    """Recipes by paths and patterns, each once, in the order of the patterns and then by name."""
    found: dict[Path, None] = {}
    for pattern in patterns:
        if glob.has_magic(pattern):
            matches = sorted(glob.glob(pattern, root_dir=here, recursive=True))
            found |= {here / name: None for name in matches if name.endswith(".recipe.toml")}
        else:
            found[here / pattern] = None
    return list(found)


def _job(here: Path, base: Path, defaults: JobSettings, entry: JobEntry, *, recipe: Path, limits: Limits) -> Job:
    def chosen(key: str) -> Any:
        return getattr(entry if key in entry.model_fields_set else defaults, key)

    variant = chosen("variant")
    name = entry.name or (recipe_name(recipe) + (f".{variant}" if variant else ""))
    sets = [f"{key}={toml_text(value)}" for key, value in {**defaults.set, **entry.set}.items()]
    roots = [here / one for one in chosen("allow_roots")]
    stems_dir = chosen("stems_dir")
    if stems_dir is not None:
        folder = (here / stems_dir).resolve()
        sets.append(f"stems_dir={toml_text(str(folder))}")
        roots.append(folder)
    overlays = tuple(here / one for one in chosen("overlays"))
    return Job(
        name=name,
        recipe=recipe,
        overrides=Overrides(variant, overlays, tuple(sets), tuple(roots), limits),
        out=here / entry.out if entry.out is not None else base / name,
        only=tuple(chosen("only")),
        compare=chosen("compare"),
    )


def chosen_jobs(jobs: Jobs, names: Sequence[str], shard: str | None) -> list[Job]:
    """The named jobs (by default all) in the part `shard`. Raises UsageError for an unknown name or an invalid part."""
    found = list(jobs.jobs)
    if names:
        known = [job.name for job in found]
        for name in names:
            if name not in known:
                raise UsageError(
                    Problem(
                        "there is no such job",
                        given=f'"{name}"',
                        allowed=", ".join(known),
                        hint=nearest(name, known),
                        code=Code.UNKNOWN_WORD,
                        facts=(("asked_by", "jobs"),),
                    )
                )
        found = [job for job in found if job.name in names]
    if shard is not None:
        part, count = shard_of(shard)
        found = [job for i, job in enumerate(found) if i % count == part - 1]
    return found


def shard_of(text: str) -> tuple[int, int]:
    """Parse a part of the jobs: `2/8` as (2, 8)."""
    part, slash, count = text.partition("/")
    if slash and part.isdigit() and count.isdigit() and 1 <= int(part) <= int(count):
        return int(part), int(count)
    raise UsageError(
        Problem(
            "this is not a part K/N of the jobs",
            given=f'"{text}"',
            allowed="K/N, K from 1 to N: 2/8",
            code=Code.OPTION_VALUE,
            facts=(("asked_by", "shard"),),
        )
    )


def clash(paths: Sequence[tuple[str, Path]]) -> RecipeError | None:
    """The error for jobs that would write the same file; None if there are none."""
    owners: dict[Path, str] = {}
    problems = []
    for name, path in paths:
        other = owners.setdefault(path, name)
        if other != name:
            problems.append(
                Problem(
                    "two jobs would write the same file",
                    file=shown_path(path),
                    given=f"{other}, {name}",
                    hint="set another `out` for one of them",
                    code=Code.DELIVERIES_COLLIDE,
                )
            )
    return RecipeError(problems) if problems else None
