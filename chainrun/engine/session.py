"""A whole render: plan, nodes in order, deliveries."""

from __future__ import annotations

import hashlib
import json
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from chainrun import __version__
from chainrun.audiofile.read import hash_content
from chainrun.engine.deliver import Order, check_folder, deliver
from chainrun.engine.fingerprint import surroundings
from chainrun.engine.node import BLOCK_FRAMES, render_node
from chainrun.engine.prints import Print
from chainrun.engine.result import NodeResult, RenderResult
from chainrun.errors import Problem, RecipeError, ResourceError, UsageError, nearest, shown_path
from chainrun.plan import Input, Plan, build_plan
from chainrun.recipe import Delivery, Opened
from chainrun.recipe.roots import safely_resolved
from chainrun.recipe.semantics import delivered_nodes, file_name

WORK_FOLDER = ".chainrun-work-"


@dataclass(frozen=True)
class RenderOptions:
    """What the command line may say about a render."""

    only: tuple[str, ...] = ()
    block_frames: int = BLOCK_FRAMES


def render(
    opened: Opened,
    out: Path,
    options: RenderOptions | None = None,
    *,
    progress: Callable[[str, float], None] | None = None,
) -> RenderResult:
    """Render a recipe into the folder `out`; nothing appears there unless all nodes have been rendered."""
    options = options or RenderOptions()
    began = time.perf_counter()
    only = stems_of(opened, options.only)
    hash_file = cache(hash_content)
    plan = build_plan(opened, only=only, hash_file=hash_file, surroundings=surroundings(options.block_frames))
    main = plan.node("main")
    result = RenderResult(
        engine=__version__,
        recipe=opened.name,
        recipe_hash=_recipe_hash(opened, plan),
        rate_hz=plan.rate_hz,
        length_s=0.0,
        warnings=[*(problem.text() for problem in opened.problems.warnings), *plan.notes],
    )
    ordered = orders(opened, plan, out)
    _spare_inputs(opened, plan, ordered)
    check_folder(out)
    try:
        work = tempfile.TemporaryDirectory(prefix=WORK_FOLDER, dir=out, ignore_cleanup_errors=True)
    except OSError as error:
        raise ResourceError(
            Problem(f"the output folder cannot be written to ({error.strerror})", file=str(out))
        ) from error
    with work as folder:
        prints = _render_nodes(plan, Path(folder), options, result, progress)
        result.length_s = prints[main.name].n_frames / plan.rate_hz
        for order in ordered:
            delivered, failures = deliver(order, prints, plan.rate_hz, opened.recipe.pan_law_db)
            result.deliveries.append(delivered)
            result.failures += failures
    result.seconds = time.perf_counter() - began
    return result


def _spare_inputs(opened: Opened, plan: Plan, ordered: list[Order]) -> None:
    """Refuse a delivery that would land on a stem, a recipe, a preset or an overlay. Raises RecipeError."""
    inputs = {safely_resolved(path) for path in opened.files()}
    inputs |= {safely_resolved(Path(part.path)) for n in plan.nodes if n.stem is not None for part in n.stem.parts}
    hit = [order for order in ordered if safely_resolved(order.path) in inputs]
    if hit:
        raise RecipeError(
            [
                Problem(
                    "a delivery would be written over an input",
                    file=shown_path(opened.path),
                    key="deliver",
                    given=f'"{shown_path(order.path)}"',
                    hint="choose another output folder with -o, or another file name",
                )
                for order in hit
            ]
        )


def _render_nodes(
    plan: Plan,
    folder: Path,
    options: RenderOptions,
    result: RenderResult,
    progress: Callable[[str, float], None] | None,
) -> dict[str, Print]:
    prints: dict[str, Print] = {}
    rendered: dict[str, NodeResult] = {}
    for node in plan.nodes:
        name = node.name

        def tell(share: float, name: str = name) -> None:
            if progress is not None:
                progress(name, share)

        needed = {one: prints[one] for one in node.needs}
        prints[name], rendered[name] = render_node(
            node, needed, folder / f"{name}.f32", block_frames=options.block_frames, progress=tell
        )
    for node in plan.nodes:
        result.nodes.append(rendered[node.name])
        result.warnings += rendered[node.name].notes
    return prints


def stems_of(opened: Opened, names: tuple[str, ...]) -> frozenset[str] | None:
    """The stems that `--only` leaves sounding: those named, and those that go into a bus that is named."""
    if not names:
        return None
    recipe = opened.recipe
    known = [*recipe.stems, *recipe.buses]
    for name in names:
        if name not in known:
            raise UsageError(
                Problem(
                    "--only: there is no such stem or bus",
                    given=f'"{name}"',
                    allowed=", ".join(known),
                    hint=nearest(name, known),
                )
            )
    found = set()
    for name in recipe.stems:
        way, here = [name], name
        while here != "main" and len(way) <= len(known):
            here = recipe.stems[here].to if here in recipe.stems else recipe.buses[here].to
            way.append(here)
        if any(step in names for step in way):
            found.add(name)
    return frozenset(found)


def orders(opened: Opened, plan: Plan, out: Path) -> list[Order]:
    """What is to be written, in the order of the recipe."""
    found = []
    for delivery in opened.recipe.deliver:
        for node in delivered_nodes(delivery.what, list(opened.recipe.stems), list(opened.recipe.buses)):
            name = file_name(delivery.file, opened.name, opened.variant or "", node)
            assert name is not None, "the recipe was checked"
            found.append(
                Order(
                    node=node,
                    path=out / name,
                    bits=delivery.bits,
                    dither=delivery.dither,
                    seed=delivery.seed,
                    target_lufs=delivery.target_lufs,
                    max_dbtp=delivery.max_dbtp,
                    strip=_strip(opened, plan, delivery, node),
                )
            )
    return found


def _strip(opened: Opened, plan: Plan, delivery: Delivery, node: str) -> Input | None:
    if delivery.tap == "chain" or node == "main":
        return None
    strip = opened.recipe.stems.get(node) or opened.recipe.buses[node]
    return Input(
        node,
        plan.node(node).n_channels_out,
        strip.level_db,
        strip.pan_pct,
        tuple((point[0], point[1]) for point in strip.level_points_db),
        tuple((part[0], part[1]) for part in strip.active_s),
        mute=strip.mute,
    )


def _recipe_hash(opened: Opened, plan: Plan) -> str:
    """Hash of the resolved recipe and of its stems' content, whatever the paths."""
    resolved = opened.recipe.model_dump(
        exclude={
            "title": True,
            "note": True,
            "base": True,
            "stems_dir": True,
            "presets_dirs": True,
            "expect": True,
        }
    )
    content = {node.name: [part.content for part in node.stem.parts] for node in plan.nodes if node.stem is not None}
    text = json.dumps([resolved, content], sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()
