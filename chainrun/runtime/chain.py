"""Runs a chain: its steps in order, with bypass, dry/wet, keys and latency."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from chainrun.contract import Key, Misfit, Step
from chainrun.contract.readings import Reading, WetLevel
from chainrun.contract.runner import Keys, Runner, Stream

if TYPE_CHECKING:
    from chainrun.dsp.arrays import Array
    from chainrun.dsp.delay_line import DelayLine
    from chainrun.runtime.wet_level import WetMeter


@dataclass
class _Link:
    """Step of the chain, with the delays that keep its key and its dry part in time."""

    runner: Runner
    address: tuple[str, str]
    wet: float
    dry: DelayLine | None
    key_delays: dict[Key, DelayLine]
    wet_meter: WetMeter | None


class ChainRunner(Runner):
    """Runs steps in order.

    A bypassed step is absent. If `mix_pct` is below 100 %, the dry part is mixed in: the step's input, delayed by the
    step's latency, or the step's own dry part if it has crossovers. It goes to both sides at the pan law if the step
    turns mono into stereo. A key is delayed by the latency accumulated before the step that listens to it. The chain's
    latency and tail are the sums of its steps'.
    """

    def __init__(self, steps: Sequence[Step], stream: Stream, addresses: Sequence[tuple[str, str]] | None = None):
        from chainrun.dsp.delay_line import DelayLine
        from chainrun.runtime.wet_level import WetMeter

        self._law = stream.pan_law_db
        self._links: list[_Link] = []
        self.n_channels_out = stream.n_channels
        self.latency_frames = self.tail_frames = 0
        if addresses is None:
            addresses = [(str(i), step.name or str(i)) for i, step in enumerate(steps)]
        for step, address in zip(steps, addresses, strict=True):
            if step.bypass:
                continue
            here = replace(
                stream,
                n_channels=self.n_channels_out,
                latency_frames=stream.latency_frames + self.latency_frames,
            )
            runner = step.start(here)
            delays = {key: DelayLine(stream.key_channels[key], self.latency_frames) for key in step.listens_to()}
            delayed = step.mix_pct < 100.0 and not runner.own_dry
            dry = DelayLine(self.n_channels_out, runner.latency_frames) if delayed else None
            meter = WetMeter(step, here, runner.n_channels_out) if step.wet_alone else None
            self._links.append(_Link(runner, address, step.mix_pct / 100.0, dry, delays, meter))
            self.n_channels_out = runner.n_channels_out
            self.latency_frames += runner.latency_frames
            self.tail_frames += runner.tail_frames

    def run(self, x: Array, keys: Keys) -> Array:
        """Process the next block of the input, with the next blocks of the keys."""
        for link in self._links:
            sidechain = {key: delay.run(keys[key]) for key, delay in link.key_delays.items()}
            y = link.runner.run(x, sidechain)
            if link.wet_meter is not None:
                link.wet_meter.count(x, y)
            if link.runner.own_dry and link.wet < 1.0:
                y = self._mix(link.runner.dry_part(), y, link.wet)
            elif link.dry is not None:
                y = self._mix(link.dry.run(x), y, link.wet)
            x = y
        return x

    def _mix(self, dry: Array, wet: Array, share: float) -> Array:
        from chainrun.dsp.pan import to_stereo

        if dry.shape[0] < wet.shape[0]:
            dry = to_stereo(dry, self._law)
        if share == 0.0:
            return dry
        return dry * (1.0 - share) + wet * share

    def readings(self) -> list[Reading]:
        """Gain reduction of the steps, with their addresses."""
        return [reading.under(*link.address) for link in self._links for reading in link.runner.readings()]

    def wet_levels(self) -> list[WetLevel]:
        """Wet levels of the steps whose output is the wet signal alone, with their addresses."""
        found = []
        for link in self._links:
            own = [link.wet_meter.reading()] if link.wet_meter is not None else []
            found += [one.under(*link.address) for one in [*own, *link.runner.wet_levels()]]
        return found

    def notes(self) -> list[str]:
        """Notes of all steps."""
        return [note for link in self._links for note in link.runner.notes()]


def channels_after(steps: Sequence[Step], n_channels: int) -> int:
    """Number of output channels of a chain."""
    for step in steps:
        if not step.bypass:
            n_channels = step.channels_out(n_channels)
    return n_channels


def chain_misfits(steps: Sequence[Step], stream: Stream, prefix: str = "") -> list[Misfit]:
    """Misfits of a chain on a stream; each key starts with `prefix` and the step's index."""
    found: list[Misfit] = []
    channels = stream.n_channels
    for i, step in enumerate(steps):
        if step.bypass:
            continue
        here = replace(stream, n_channels=channels)
        found += [replace(misfit, key=f"{prefix}{i}.{misfit.key}") for misfit in step.misfits(here)]
        channels = step.channels_out(channels)
    return found
