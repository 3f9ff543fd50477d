"""Checks that the disk has room for a render."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

from chainrun.engine.choice import Choice
from chainrun.errors import Problem, ResourceError
from chainrun.plan import Plan
from chainrun.plan.deliveries import DeliverySpec
from chainrun.problem_codes import Code

SPARE_BYTES = 1_000_000


def check_disk_space(
    plan: Plan, choices: Sequence[Choice], specs: list[DeliverySpec], store: Path, out: Path
) -> tuple[int, int]:
    """Maximum size in bytes of the prints and of the files. Raises ResourceError if less space is free.

    The first choice is for the whole mix; the others are for deliveries with `only` or `without`.
    """
    seconds = plan.session_s + max((node.max_tail_s for node in plan.nodes), default=0.0)
    frames = int(seconds * plan.rate_hz)
    stretch = choices[0].stretch
    if stretch is not None:
        frames = stretch.end_frame - stretch.begin_frame
    # A node that several deliveries share is rendered once.
    to_render = {node.identity: node for choice in choices for node in choice.to_render}
    prints = sum(frames * node.n_channels_out * 4 for node in to_render.values())
    files = sum(_file_bytes(spec, frames, plan.rate_hz) for spec in specs)
    needs = [(store, prints), (out, files)]
    if store.stat().st_dev == out.stat().st_dev:
        needs = [(out, prints + files)]
    short = [
        (folder, need, free) for folder, need in needs if need > 0 and (free := _free(folder)) < need + SPARE_BYTES
    ]
    if short:
        raise ResourceError(
            [
                Problem(
                    "there is not enough free disk space",
                    file=str(folder),
                    given=f"up to {need / 1e6:.0f} MB to write",
                    allowed=f"{free / 1e6:.0f} MB free",
                    hint="free some space, or choose another folder for the store or the output",
                    code=Code.NOT_ENOUGH_ROOM,
                )
                for folder, need, free in short
            ]
        )
    return prints, files


def _file_bytes(spec: DeliverySpec, frames: int, rate_hz: int) -> int:
    """Size in bytes of a delivery as an uncompressed stereo file at its own rate."""
    own = spec.frames[1] - spec.frames[0] if spec.frames is not None else frames
    return -(-own * (spec.rate_hz or rate_hz) // rate_hz) * 2 * spec.bits // 8


def _free(folder: Path) -> int:
    return shutil.disk_usage(folder).free
