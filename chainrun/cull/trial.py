"""What a cull would do to the recipes: each affected one rendered without and with it, and compared."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from chainrun.compare.difference import Difference, difference
from chainrun.cull.plan import Plan
from chainrun.cull.usage import recipe_files, usage
from chainrun.engine import RenderOptions, RenderResult, render
from chainrun.errors import ChainrunError
from chainrun.recipe import Overrides, open_recipe
from chainrun.recipe.load import recipe_name
from chainrun.whole_file import write_whole


@dataclass
class Tried:
    """One recipe under the cull."""

    recipe: Path
    nodes: list[str]
    """Where the presets stand that are replaced."""
    presets: list[str]
    found: Difference | None = None
    error: str | None = None
    """Why it does not render under the cull: a `set` path that the successor lacks, say."""
    files: tuple[str, str] | None = None
    readings: list[str] = field(default_factory=list)
    """Gain reductions that move by half a dB and more."""

    @property
    def residual_lu(self) -> float:
        """How far it moves; what does not render stands first."""
        return self.found.residual_lu if self.found is not None else 999.0

    def record(self, limit_lu: float) -> dict[str, Any]:
        """As a JSON object."""
        told = self.found.record() if self.found is not None else None
        return {
            "recipe": str(self.recipe),
            "nodes": self.nodes,
            "presets": self.presets,
            "error": self.error,
            "crosses_limit": self.error is not None or self.residual_lu > limit_lu,
            "readings": self.readings,
            "comparison": told,
            "files": list(self.files) if self.files is not None else None,
        }


def overlay_text(plan: Plan) -> str:
    """The year's overlay: `[replace_presets]` for every preset that has a successor."""
    import tomli_w

    table = tomli_w.dumps({"replace_presets": plan.replacements()}) if plan.replacements() else ""
    head = f"# The cull of {plan.file.year}: presets that were replaced. Lay it over a recipe with --overlay."
    return f"{head}\n{table}"


def attempt(
    plan: Plan,
    *,
    out: Path | None,
    store: Path | None,
    workers: int | None = None,
    progress: Callable[[str, float], None] | None = None,
) -> list[Tried]:
    """Render every recipe that a replacement touches, without and with it; the worst first."""
    known = usage(recipe_files(plan.patterns) if plan.patterns else [])
    replaced = plan.replacements()
    found = [Tried(path, [], [], error=text) for path, text in known.unreadable.items()]
    with tempfile.TemporaryDirectory(prefix="chainrun-cull-", ignore_cleanup_errors=True) as work:
        overlay = Path(work) / f"{plan.file.year}.overlay.toml"
        write_whole(overlay, overlay_text(plan))
        folder = out if out is not None else Path(work) / "renders"
        for path in known.recipes:
            uses = [use for use in known.uses if use.recipe == path and use.preset in replaced]
            if not uses:
                continue
            nodes = list(dict.fromkeys(use.node for use in uses))
            names = list(dict.fromkeys(use.preset for use in uses))
            tried = Tried(path, nodes, names)
            found.append(tried)
            _render_both(tried, overlay, folder, RenderOptions(workers=workers, store=store), progress)
            if out is None:
                tried.files = None
    return sorted(found, key=lambda one: -one.residual_lu)


def _render_both(
    tried: Tried,
    overlay: Path,
    folder: Path,
    options: RenderOptions,
    progress: Callable[[str, float], None] | None,
) -> None:
    name = recipe_name(tried.recipe)
    files, results = [], []
    try:
        for word, overlays in (("before", ()), ("after", (overlay,))):
            opened = open_recipe(tried.recipe, Overrides(overlays=overlays))
            result = render(opened, folder / name / word, options, progress=progress)
            files.append(Path(result.deliveries[0].file))
            results.append(result)
        tried.readings = _moved(*results)
        tried.found = difference(files[0], files[1])
        tried.files = (str(files[0]), str(files[1]))
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
