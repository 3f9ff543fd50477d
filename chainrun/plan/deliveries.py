"""What a recipe asks to be written, under which names, and which stems sound in it.

One rule for names: a delivery's own name is that of the whole mix as the recipe is written. A part of it lies beside
it, named after the part: `mix.only-snare_top.wav`, `mix.10-20s.wav`, `mix.only-snare_top.10-20s.wav`. What changes the
recipe (a variant, an overlay, `--set`) gets a folder of its own, RECIPE.CHANGE (`Opened.folder_in`).
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from chainrun.audiofile.write import Bits
from chainrun.errors import Problem, RecipeError, UsageError, nearest
from chainrun.json_hash import json_hash
from chainrun.plan import Input, Plan
from chainrun.recipe import Delivery, Opened
from chainrun.recipe.roots import safely_resolved
from chainrun.recipe.semantics import delivered_nodes, file_name
from chainrun.recipe.step_files import steps_with_files
from chainrun.units import s_to_frames

LONGEST_SOLO_NAME = 100
"""Characters of a solo's names in a file's name; more are told by a hash."""


@dataclass(frozen=True)
class DeliverySpec:
    """A file to write: which print, how, and where."""

    node: str
    path: Path
    bits: Bits
    dither: bool
    seed: int
    target_lufs: float | None
    max_dbtp: float | None
    strip: Input | None
    """Fader and pan to go through, where they are asked for."""
    frames: tuple[int, ...] | None = None
    """First frame of a stretch, and the one behind its last."""
    own_frames: tuple[int, ...] | None = None
    """The same without --from and --to: what the delivery's gain is found from, and where its fades lie."""
    is_stretch: bool = False
    """Whether `frames` are those of --from and --to."""
    sounding: frozenset[str] | None = None
    """The stems that are heard, where not all are."""
    whole_sounding: frozenset[str] | None = None
    """The same without --only: a solo has the gain of that."""
    is_solo: bool = False
    """Whether this is a part of the delivery by --only."""
    gain_of: str = ""
    """What the gain was found from, where that is not the file itself."""
    gain_db: float = 0.0
    """Where there is no target."""
    fit: Literal["gain", "limit"] = "gain"
    rate_hz: int | None = None
    mono_law_db: float | None = None
    fade_in_s: float = 0.0
    fade_out_s: float = 0.0
    quality_pct: float = 80.0
    tags: dict[str, str] = field(default_factory=dict)
    bext: bool = False
    sidecar: bool = False

    @property
    def needs_whole(self) -> bool:
        """Whether its gain is that of a larger whole, which must be there for it."""
        return self.is_solo and self.target_lufs is not None

    @property
    def is_plain(self) -> bool:
        """Whether the file's samples are the print's, but for a gain."""
        shaped = self.fade_in_s or self.fade_out_s or self.mono_law_db is not None or self.rate_hz is not None
        return self.strip is None and self.own_frames is None and not shaped


def stems_of(opened: Opened, names: tuple[str, ...], told: str = "--only") -> frozenset[str] | None:
    """The stems that `--only` (or what is `told`) leaves: those named, and those that go into a bus that is named."""
    if not names:
        return None
    recipe = opened.recipe
    known = [*recipe.stems, *recipe.buses]
    for name in names:
        if name not in known:
            raise UsageError(
                Problem(
                    f"{told}: there is no such stem or bus",
                    given=f'"{name}"',
                    allowed=", ".join(known),
                    hint=nearest(name, known),
                )
            )
    return frozenset(name for name in recipe.stems if any(step in names for step in way_of(opened, name)))


def _sounding_nodes(opened: Opened, solo: frozenset[str] | None) -> set[str]:
    """The nodes that sound when these stems do; all of them for None."""
    stems = opened.recipe.stems if solo is None else solo
    buses = opened.recipe.buses if solo is None else ()
    return {node for stem in stems for node in way_of(opened, stem)} | {*buses, "main"}


def way_of(opened: Opened, name: str) -> list[str]:
    """A node and all that it runs through by `to`, without main."""
    recipe = opened.recipe
    way, here = [name], name
    while len(way) <= len(recipe.stems) + len(recipe.buses):
        here = recipe.stems[here].to if here in recipe.stems else recipe.buses[here].to
        if here == "main":
            break
        way.append(here)
    return way


def delivery_specs(
    opened: Opened,
    plan: Plan,
    out: Path,
    span: tuple[float, float] | None = None,
    only: tuple[str, ...] = (),
) -> list[DeliverySpec]:
    """What is to be written, in the order of the recipe; a stretch and a solo go into files named after them.

    Of a solo nothing is written of stems and buses that are silent in it.
    """
    found = []
    solo = stems_of(opened, only)
    sounding_nodes = _sounding_nodes(opened, solo)
    for delivery in opened.recipe.deliver:
        own = _sounding(opened, delivery)
        for node in delivered_nodes(delivery.what, list(opened.recipe.stems), list(opened.recipe.buses)):
            if node not in sounding_nodes:
                continue
            name = part_name(file_name(delivery.file, opened.name, opened.variant or "", node) or "", only, span)
            found.append(
                DeliverySpec(
                    node=node,
                    path=out / name,
                    bits=delivery.bits,
                    dither=delivery.dither,
                    seed=delivery.seed,
                    target_lufs=delivery.loudness()[0],
                    max_dbtp=delivery.loudness()[1],
                    fit=delivery.fit,
                    rate_hz=delivery.rate_hz if delivery.rate_hz != plan.rate_hz else None,
                    mono_law_db=delivery.mono_law_db if delivery.channels == "mono" else None,
                    fade_in_s=delivery.fade_in_s,
                    fade_out_s=delivery.fade_out_s,
                    quality_pct=delivery.quality_pct,
                    tags=delivery.tags.model_dump(exclude_none=True) if delivery.tags is not None else {},
                    bext=delivery.bext,
                    sidecar=delivery.sidecar,
                    sounding=own if solo is None or own is None else own & solo,
                    whole_sounding=own,
                    is_solo=solo is not None,
                    strip=_strip(opened, plan, delivery, node),
                    frames=_frames(delivery, span, plan),
                    own_frames=_frames(delivery, None, plan),
                    is_stretch=span is not None,
                )
            )
    return found


def part_name(name: str, only: tuple[str, ...], span: tuple[float, float] | None) -> str:
    """A delivery's name, or that of a part of it: NAME.only-A+B.1-2s.wav."""
    place = Path(name)
    solo = f".only-{'+'.join(only)}" if only else ""
    if len(solo) > LONGEST_SOLO_NAME:
        solo = f".only-{hashlib.sha256('+'.join(only).encode()).hexdigest()[:12]}"
    stretch = f".{span[0]:g}-{span[1]:g}s" if span is not None else ""
    return str(place.with_name(f"{place.stem}{solo}{stretch}{place.suffix}")) if solo or stretch else name


def _sounding(opened: Opened, delivery: Delivery) -> frozenset[str] | None:
    """The stems that sound in a delivery, where it says `only` or `without`; None for all."""
    if not delivery.only and not delivery.without:
        return None
    some = stems_of(opened, tuple(delivery.only), "deliver.only")
    gone = stems_of(opened, tuple(delivery.without), "deliver.without") or frozenset()
    return (frozenset(opened.recipe.stems) if some is None else some) - gone


def _frames(delivery: Delivery, span: tuple[float, float] | None, plan: Plan) -> tuple[int, ...] | None:
    """The frames to deliver: those of --from and --to, else the delivery's own, else None for all."""
    if span is None and delivery.from_s is None and delivery.to_s is None:
        return None
    begin, end = span or (delivery.from_s or 0.0, plan.session_s if delivery.to_s is None else delivery.to_s)
    if begin >= plan.session_s:
        raise RecipeError(
            Problem(
                "the delivery begins behind the session's end",
                key="deliver.from_s",
                given=f"{begin:g}",
                allowed=f"less than {plan.session_s:g} s",
            )
        )
    return tuple(s_to_frames(at, plan.rate_hz) for at in (begin, end))


def delivery_paths(opened: Opened, out: Path, only: tuple[str, ...] = ()) -> list[Path]:
    """Where the deliveries of a recipe, or of a solo, and their sidecars would land."""
    found = []
    sounding_nodes = _sounding_nodes(opened, stems_of(opened, only))
    for delivery in opened.recipe.deliver:
        for node in delivered_nodes(delivery.what, list(opened.recipe.stems), list(opened.recipe.buses)):
            name = file_name(delivery.file, opened.name, opened.variant or "", node)
            if name is not None and node in sounding_nodes:
                name = part_name(name, only, None)
                found += [out / name] + ([sidecar_of(out / name)] if delivery.sidecar else [])
    return found


def sidecar_of(path: Path) -> Path:
    """NAME.json beside NAME.wav."""
    return path.with_suffix(".json")


def input_files(opened: Opened, plan: Plan) -> set[Path]:
    """Every file that a render reads: recipes, presets, overlays, stems, responses. Resolved."""
    stems = [Path(part.path) for node in plan.nodes if node.stem is not None for part in node.stem.parts]
    stems += [path for name in opened.recipe.stems for path in opened.stem_files(name)]
    responses = [
        Path(step["file"]) for node in plan.nodes for _, step in steps_with_files(list(node.chain), bypassed=False)
    ]
    return {safely_resolved(path) for path in (*opened.files(), *stems, *responses)}


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


def recipe_hash(opened: Opened, plan: Plan) -> str:
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
    return json_hash([resolved, content])
