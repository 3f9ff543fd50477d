"""Delivery specs: the files that a recipe asks for, their names, and the stems in each.

Names: a delivery's own name is for the whole mix of the unchanged recipe. A part of it is next to it and named after
the part: `mix.only-snare_top.wav`, `mix.10-20s.wav`, `mix.only-snare_top.10-20s.wav`. A changed recipe (a variant, an
overlay, `--set`) has a folder of its own, RECIPE.CHANGE (`Origin.folder_in`).
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from chainrun.audiofile.write import Bits
from chainrun.errors import Problem, RecipeError, UsageError, nearest
from chainrun.plan.nodes import Input
from chainrun.plan.order import way_to_main
from chainrun.problem_codes import Code
from chainrun.recipe import Delivery, Opened
from chainrun.recipe.semantics import delivered_nodes, file_name
from chainrun.units import s_to_frames

MAX_SOLO_NAME = 100
"""Maximum length of a solo's names in a file's name; longer ones are replaced by a hash."""
Span = tuple[float, float]
"""Begin and end of a stretch of the session, in seconds."""


@dataclass(frozen=True)
class DeliverySpec:
    """File to write: its print, its processing and its path."""

    node: str
    path: Path
    """Relative to the output folder while in a plan."""
    bits: Bits
    dither: bool
    seed: int
    target_lufs: float | None
    max_dbtp: float | None
    strip: Input | None
    """Fader and pan to apply, with tap = "after_fader"."""
    frames: tuple[int, ...] | None = None
    """First frame of a stretch, and the one after its last; None for everything."""
    own_frames: tuple[int, ...] | None = None
    """`frames` as in the recipe, without --from and --to: they determine the gain, and the fades are at their ends."""
    is_stretch: bool = False
    """Whether `frames` are those of --from and --to."""
    sounding: frozenset[str] | None = None
    """Stems that sound; None for all."""
    whole_sounding: frozenset[str] | None = None
    """Stems that sound without --only; a solo gets the gain of these."""
    is_solo: bool = False
    """Whether --only leaves a part of the delivery."""
    gain_of: str = ""
    """Source of the gain if it is not the file itself."""
    gain_db: float = 0.0
    """Gain without a target."""
    fit: Literal["gain", "limiter"] = "gain"
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
        """Whether its gain is that of the whole mix, which must be rendered for it."""
        return self.is_solo and self.target_lufs is not None

    @property
    def is_plain(self) -> bool:
        """Whether the file's samples are the print's, except for a gain."""
        shaped = self.fade_in_s or self.fade_out_s or self.mono_law_db is not None or self.rate_hz is not None
        return self.strip is None and self.own_frames is None and not shaped

    @property
    def files(self) -> tuple[Path, ...]:
        """Paths that it writes: the file, and its sidecar if it has one."""
        return (self.path, sidecar_of(self.path)) if self.sidecar else (self.path,)

    def in_folder(self, out: Path) -> DeliverySpec:
        """Copy of the spec with its path in an output folder."""
        return replace(self, path=out / self.path)


def sidecar_of(path: Path) -> Path:
    """Path of the sidecar: NAME.json next to NAME.wav."""
    return path.with_suffix(".json")


def stems_of(opened: Opened, names: Sequence[str], asked_by: str = "only") -> frozenset[str] | None:
    """Stems in a solo of stems and buses: those named, and those that go into a named bus.

    None for no names. Raises UsageError for a name of neither.
    """
    if not names:
        return None
    recipe = opened.recipe
    known = [*recipe.stems, *recipe.buses]
    for name in names:
        if name not in known:
            raise UsageError(
                Problem(
                    "there is no such stem or bus",
                    given=f'"{name}"',
                    allowed=", ".join(known),
                    hint=nearest(name, known),
                    code=Code.UNKNOWN_NODE,
                    facts=(("asked_by", asked_by),),
                )
            )
    return frozenset(name for name in recipe.stems if any(step in names for step in _way_of(opened, name)))


def _way_of(opened: Opened, name: str) -> list[str]:
    strips = {**opened.recipe.stems, **opened.recipe.buses}
    return way_to_main(name, lambda one: strips[one].to)


def _nodes_with(opened: Opened, solo: frozenset[str] | None) -> set[str]:
    """Nodes that sound if only these stems do; all nodes for None."""
    stems = opened.recipe.stems if solo is None else solo
    buses = opened.recipe.buses if solo is None else ()
    return {node for stem in stems for node in _way_of(opened, stem)} | {*buses, "main"}


def _files_of(opened: Opened, only: tuple[str, ...], span: Span | None) -> Iterator[tuple[Delivery, str, Path]]:
    """Each delivery with each of its nodes and its file; for a solo only the nodes that sound in it."""
    recipe = opened.recipe
    sounding = _nodes_with(opened, stems_of(opened, only))
    for delivery in recipe.deliver:
        for node in delivered_nodes(delivery.what, list(recipe.stems), list(recipe.buses)):
            name = file_name(delivery.file, opened.name, opened.variant or "", node)
            if name is not None and node in sounding:
                yield delivery, node, Path(part_name(name, only, span))


def delivery_files(opened: Opened, only: Sequence[str] = ()) -> tuple[Path, ...]:
    """Files and sidecars that a recipe, or a solo of it, writes, relative to the output folder."""
    found: list[Path] = []
    for delivery, _, path in _files_of(opened, tuple(only), None):
        found += [path, sidecar_of(path)] if delivery.sidecar else [path]
    return tuple(found)


@dataclass(frozen=True)
class Session:
    """Properties of a session that specs need besides its recipe."""

    rate_hz: int
    session_s: float
    channels: Mapping[str, int]
    """Number of channels of each node after its chain."""


def delivery_specs(opened: Opened, session: Session, only: tuple[str, ...], span: Span | None) -> list[DeliverySpec]:
    """Specs of the files to write, in the order of the recipe. Raises RecipeError, UsageError."""
    solo = stems_of(opened, only)
    found = []
    for delivery, node, path in _files_of(opened, only, span):
        own = _sounding(opened, delivery)
        found.append(
            DeliverySpec(
                node=node,
                path=path,
                bits=delivery.bits,
                dither=delivery.dither,
                seed=delivery.seed,
                target_lufs=delivery.loudness()[0],
                max_dbtp=delivery.loudness()[1],
                fit=delivery.fit,
                rate_hz=delivery.rate_hz if delivery.rate_hz != session.rate_hz else None,
                mono_law_db=delivery.mono_law_db if delivery.layout == "mono" else None,
                fade_in_s=delivery.fade_in_s,
                fade_out_s=delivery.fade_out_s,
                quality_pct=delivery.quality_pct,
                tags=delivery.tags.model_dump(exclude_none=True) if delivery.tags is not None else {},
                bext=delivery.bext,
                sidecar=delivery.sidecar,
                sounding=own if solo is None or own is None else own & solo,
                whole_sounding=own,
                is_solo=solo is not None,
                strip=_fader(opened, session, delivery, node),
                frames=_frames(delivery, span, session),
                own_frames=_frames(delivery, None, session),
                is_stretch=span is not None,
            )
        )
    return found


def part_name(name: str, only: tuple[str, ...], span: Span | None) -> str:
    """File name of a delivery, or of a part of it: NAME.only-A+B.1-2s.wav."""
    place = Path(name)
    solo = f".only-{'+'.join(only)}" if only else ""
    if len(solo) > MAX_SOLO_NAME:
        solo = f".only-{hashlib.sha256('+'.join(only).encode()).hexdigest()[:12]}"
    stretch = f".{span[0]:g}-{span[1]:g}s" if span is not None else ""
    return str(place.with_name(f"{place.stem}{solo}{stretch}{place.suffix}")) if solo or stretch else name


def _sounding(opened: Opened, delivery: Delivery) -> frozenset[str] | None:
    """Stems that sound in a delivery with `only` or `without`; None for all."""
    if not delivery.only and not delivery.without:
        return None
    some = stems_of(opened, delivery.only, "deliver.only")
    gone = stems_of(opened, delivery.without, "deliver.without") or frozenset()
    return (frozenset(opened.recipe.stems) if some is None else some) - gone


def _frames(delivery: Delivery, span: Span | None, session: Session) -> tuple[int, ...] | None:
    """Frames to deliver: those of the requested stretch, else the delivery's own, else None for everything."""
    if span is None and delivery.from_s is None and delivery.to_s is None:
        return None
    begin, end = span or (delivery.from_s or 0.0, session.session_s if delivery.to_s is None else delivery.to_s)
    if begin >= session.session_s:
        raise RecipeError(
            Problem(
                "the delivery begins after the session's end",
                key="deliver.from_s",
                given=f"{begin:g}",
                allowed=f"less than {session.session_s:g} s",
                code=Code.DELIVERY_AFTER_END,
            )
        )
    return tuple(s_to_frames(at, session.rate_hz) for at in (begin, end))


def _fader(opened: Opened, session: Session, delivery: Delivery, node: str) -> Input | None:
    if delivery.tap == "after_chain" or node == "main":
        return None
    strip = opened.recipe.stems.get(node) or opened.recipe.buses[node]
    return Input(
        node,
        session.channels[node],
        strip.level_db,
        strip.pan_pct,
        tuple((point.at_s, point.gain_db) for point in strip.ride),
        tuple((part.from_s, part.to_s) for part in strip.active),
        mute=strip.mute,
    )
