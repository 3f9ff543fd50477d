"""What a cull would do to the recipes: each affected one rendered without and with it, and compared."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from chainrun.comparison.difference import Difference, difference
from chainrun.cull.plan import CullPlan
from chainrun.delivery import RenderOptions, RenderResult, render
from chainrun.errors import ChainrunError, ResourceError
from chainrun.library.usage import Usage, names_of
from chainrun.plan import build_plan
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.load import recipe_name
from chainrun.store import hasher
from chainrun.whole_file import work_folder, write_whole


@dataclass
class Tried:
    """One recipe, or one of its variants, under the cull."""

    recipe: Path
    variant: str | None
    nodes: list[str]
    """Where the presets stand that are replaced."""
    presets: list[str]
    found: Difference | None = None
    """Of the delivery that moves most."""
    delivery: str = ""
    error: str | None = None
    """Why it does not render under the cull: a `set` path that the successor lacks, say."""
    files: tuple[str, str] | None = None
    label: str = ""
    """Its recipe's name, or its path where two have one name."""
    readings: list[str] = field(default_factory=list)
    """Gain reductions that move by half a dB and more."""

    @property
    def name(self) -> str:
        """For a table."""
        return (self.label or recipe_name(self.recipe)) + (f" ({self.variant})" if self.variant else "")

    @property
    def residual_lu(self) -> float:
        """How far it moves; what does not render stands first."""
        return self.found.residual_lu if self.found is not None else 999.0

    @property
    def louder_lu(self) -> float:
        """How much louder it gets."""
        return -self.found.gain_db if self.found is not None else 0.0

    def crosses(self, plan: CullPlan) -> bool:
        """Whether it moves by more than the plan's limits, in sound or in level."""
        file = plan.file
        return (
            self.error is not None or self.residual_lu > file.max_residual_lu or abs(self.louder_lu) > file.max_level_lu
        )

    def sentence(self) -> str:
        """What moves."""
        if self.found is None:
            return self.error or ""
        louder = abs(self.louder_lu)
        level = f"; {louder:.1f} LU {'louder' if self.louder_lu > 0 else 'softer'}" if louder >= 0.1 else ""
        return self.found.sentence() + level

    def record(self, plan: CullPlan) -> dict[str, Any]:
        """As a JSON object."""
        told = self.found.record() if self.found is not None else None
        return {
            "recipe": str(self.recipe),
            "variant": self.variant,
            "nodes": self.nodes,
            "presets": self.presets,
            "error": self.error,
            "crosses_limit": self.crosses(plan),
            "louder_lu": round(self.louder_lu, 3),
            "readings": self.readings,
            "delivery": self.delivery or None,
            "comparison": told,
            "files": list(self.files) if self.files is not None else None,
        }


def overlay_text(plan: CullPlan) -> str:
    """The year's overlay: `[replace_presets]` for every preset that has a successor."""
    import tomli_w

    table = tomli_w.dumps({"replace_presets": plan.replacements()}) if plan.replacements() else ""
    head = f"# The cull of {plan.file.year}: presets that were replaced. Lay it over a recipe with --overlay."
    return f"{head}\n{table}"


def affected(plan: CullPlan, known: Usage) -> list[Tried]:
    """Every recipe and variant in which a preset is replaced."""
    replaced = plan.replacements()
    found: dict[tuple[Path, str | None], Tried] = {}
    labels = names_of(known.recipes)
    for use in known.uses:
        if use.preset in replaced:
            new = Tried(use.recipe, use.variant, [], [], label=labels[use.recipe])
            one = found.setdefault((use.recipe, use.variant), new)
            one.nodes += [use.node] if use.node not in one.nodes else []
            one.presets += [use.preset] if use.preset not in one.presets else []
    return list(found.values())


@contextmanager
def _overlay(plan: CullPlan) -> Iterator[Path]:
    """The plan's overlay, in a folder of its own for as long as it is needed."""
    with work_folder("chainrun-cull") as work:
        overlay = work / f"{plan.file.year}.overlay.toml"
        write_whole(overlay, overlay_text(plan))
        yield overlay


def refusals(plan: CullPlan, known: Usage) -> list[str]:
    """What of the recipes does not open under the plan's overlay: `set` paths that a successor lacks."""
    told = []
    with _overlay(plan) as overlay:
        for one in affected(plan, known):
            try:
                open_recipe(one.recipe, Overrides(one.variant, (overlay,)))
            except ChainrunError as error:
                told += [f"{one.name}, under the overlay: {problem.text()}" for problem in error.problems]
    return list(dict.fromkeys(told))


def attempt(
    plan: CullPlan,
    known: Usage,
    *,
    out: Path | None,
    store: Path | None,
    workers: int | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> list[Tried]:
    """Render every recipe and variant that a replacement touches, without and with it; the worst first."""
    found = affected(plan, known)
    options = RenderOptions(workers=workers, store=store)
    taken: set[str] = set()
    with _overlay(plan) as overlay:
        for one in found:
            name = recipe_name(one.recipe) + (f".{one.variant}" if one.variant else "")
            number = 2
            while name in taken:  # recipes of one name in two folders
                name, number = f"{name.rpartition('-')[0] if number > 2 else name}-{number}", number + 1
            taken.add(name)
            folder = (out if out is not None else overlay.parent) / name
            _render_both(one, overlay, folder, options, progress)
            if out is None:
                one.files = None
    return sorted(found, key=lambda one: -one.residual_lu)


def _render_both(
    tried: Tried,
    overlay: Path,
    folder: Path,
    options: RenderOptions,
    progress: Callable[[str, float], None] | None,
) -> None:
    try:
        results = []
        for word, overlays in (("before", ()), ("after", (overlay,))):
            opened = open_recipe(tried.recipe, Overrides(tried.variant, overlays))
            plan = build_plan(opened, hash_file=hasher(options.store))
            results.append(render(plan, folder / word, options, progress=progress))
        tried.readings = _moved(*results)
        for before, after in zip(*(result.deliveries for result in results), strict=True):
            if tried.found is not None and before.pcm_sha256 == after.pcm_sha256:
                continue
            found = difference(Path(before.file), Path(after.file))
            if tried.found is None or found.residual_lu > tried.found.residual_lu:
                tried.found, tried.delivery = found, Path(before.file).relative_to(folder / "before").as_posix()
                tried.files = (before.file, after.file)
    except ResourceError:
        raise  # a full disk is not this recipe's alone
    except ChainrunError as error:
        tried.error = error.problems[0].text()


def _moved(before: RenderResult, after: RenderResult) -> list[str]:
    """Gain reductions that are not what they were, in words."""
    figures = []
    for result in (before, after):
        figures.append(
            {
                f"{node.name} {one.named.removeprefix('chain.')}": one.gain_reduction_max_db
                for node in result.nodes
                for one in node.readings
            }
        )
    was, now = figures
    told = [
        f"{step}: {was[step]:.1f} to {now[step]:.1f} dB"
        for step in was
        if step in now and abs(now[step] - was[step]) >= 0.5
    ]
    return (
        told
        + [f"{step} is gone" for step in was if step not in now]
        + [f"{step} is new" for step in now if step not in was]
    )
