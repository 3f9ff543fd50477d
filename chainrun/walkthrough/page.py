"""The teaching page: the sound before and after each step at one loudness, with a figure and a sentence about it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from chainrun import __version__
from chainrun.contract import Reading, Step
from chainrun.delivery import RenderOptions, render
from chainrun.dsp.arrays import Array
from chainrun.errors import Problem, UsageError, nearest
from chainrun.plan import Plan, build_plan
from chainrun.problem_codes import Code
from chainrun.recipe import Bus, Main, Opened
from chainrun.report import graph
from chainrun.report.content import Block, DataTable, Figure, Page, Player, Players, Section, Text
from chainrun.report.page import PagePlace, write_page
from chainrun.report.players import Clip, loudness_and_peak, matched, written
from chainrun.report.sounds import DrawnSound, bands_figure, blocks_of, hear
from chainrun.report.steps import curve_figures, reading_figure, response_figure, walk
from chainrun.store.prints import Print, PrintSource
from chainrun.store.store import Store
from chainrun.units import s_to_frames
from chainrun.walkthrough.stages import Stage, stages
from chainrun.whole_file import work_folder

DEFAULT_S = 8.0
"""Length of the clips where no stretch is chosen."""


@dataclass(frozen=True)
class WalkthroughOptions:
    """Which stems and stretch a walkthrough shows, and how it is rendered."""

    stems: tuple[str, ...] = ()
    """Names of stems; empty for all that are not muted."""
    from_s: float | None = None
    """Clips begin at this second of the session; None for the loudest DEFAULT_S seconds of each stem."""
    to_s: float | None = None
    workers: int | None = None
    """Worker processes; None for automatic."""
    store: Path | None = None
    """Folder of cached prints; None caches none."""


def walkthrough(
    opened: Opened,
    place: PagePlace,
    options: WalkthroughOptions | None = None,
    *,
    progress: Callable[[str, float], None] = lambda _name, _share: None,
    rendered: Callable[[], None] = lambda: None,
) -> Path:
    """Write a page that shows a mix step by step; returns its file. `PagePlace.of` makes the place.

    `progress` is called with each node and its share while it renders, `rendered` after the last one. Raises UsageError
    for an unknown stem or a stretch outside the session; AudioError, ResourceError.
    """
    options = options or WalkthroughOptions()
    with work_folder("chainrun-walkthrough") as work:
        store = Store(options.store if options.store is not None else work)
        page = _page(opened, options, store, place, progress)
        rendered()
        return write_page(page, place)


def _page(
    opened: Opened,
    chosen: WalkthroughOptions,
    store: Store,
    place: PagePlace,
    progress: Callable[[str, float], None],
) -> Page:
    """Render the mix and its stages, write the clips beside the page, and make the page."""
    names = _stems(opened, chosen.stems)
    plan = build_plan(opened, from_s=chosen.from_s, to_s=chosen.to_s, hash_file=store.hash_file)
    with work_folder("chainrun-walkthrough") as work:
        options = RenderOptions(store=store.folder, workers=chosen.workers, measure_only=True)
        whole = plan if plan.stretch is None else build_plan(opened, hash_file=store.hash_file)
        result = render(whole, work, options, progress=progress)
        teacher = _Teacher(opened, chosen, store, place, progress, whole, result.prints, work)
        sections = [Section("Signal flow", [graph.picture(plan)])]
        sections += [teacher.stem(name) for name in names]
    muted = [name for name, stem in opened.recipe.stems.items() if stem.mute]
    notes: list[Block] = [Text(opened.recipe.note)] if opened.recipe.note else []
    notes += [Text(f"Muted in this mix and left out here: {', '.join(muted)}.")] if muted else []
    title = opened.recipe.title or opened.name
    about = "Both clips of a pair play equally loud, since louder seems better; below each is its true loudness."
    facts = [("chainrun", __version__), ("recipe", opened.name)]
    first = [Section("About the session", notes)] if notes else []
    return Page(f"{title}, step by step", about, [*first, *sections], facts)


def _stems(opened: Opened, wanted: Sequence[str]) -> list[str]:
    known = [name for name, stem in opened.recipe.stems.items() if not stem.mute]
    for name in wanted:
        if name not in known:
            raise UsageError(
                Problem(
                    "there is no such stem, or it is muted",
                    given=name,
                    allowed=", ".join(known),
                    hint=nearest(name, known),
                    code=Code.UNKNOWN_WORD,
                    facts=(("asked_by", "stems"),),
                )
            )
    return [name for name in known if not wanted or name in wanted]


@dataclass
class _Teacher:
    opened: Opened
    chosen: WalkthroughOptions
    store: Store
    place: PagePlace
    progress: Callable[[str, float], None]
    plan: Plan
    prints: Mapping[str, Print]
    work: Path
    """Folder for files of renders that are not needed after them."""

    @property
    def rate(self) -> int:
        return self.plan.rate_hz

    def stem(self, name: str) -> Section:
        """The section of one stem: raw, after each step, in its bus and in the mix."""
        node = self.plan.node(name)
        known = stages(node, self.prints, self.store)
        span = self._span(known[-1].printed)
        sounds = [self._drawn(stage.printed) for stage in known]
        strip = self.opened.recipe.stems[name]
        blocks: list[Block] = [Text(strip.note, "note")] if strip.note else []
        begin, end = span
        blocks.append(Text(f"The clips are from {begin:.1f} to {end:.1f} s of the session."))
        clips = [
            Clip(f"{name}, raw" if k == 0 else f"after {_called(stage)}", self._cut(stage.printed, span))
            for k, stage in enumerate(known)
        ]
        players = written(clips, self.rate, self.place.folder / "audio", name)
        blocks.append(Players(f"{name}, raw", players[:1]))
        inner = [
            self._step(
                name,
                k,
                known[k],
                clips=(clips[k - 1], clips[k]),
                players=(players[k - 1], players[k]),
                sounds=(sounds[k - 1], sounds[k]),
                span=span,
            )
            for k in range(1, len(known))
        ]
        if len(known) > 2:
            inner.append(Section("The whole chain", [Players(f"{name}, the whole chain", [players[0], players[-1]])]))
        inner += self._among_others(name, span)
        return Section(name, blocks, inner)

    def _step(
        self,
        name: str,
        k: int,
        after: Stage,
        *,
        clips: tuple[Clip, Clip],
        players: tuple[Player, Player],
        sounds: tuple[DrawnSound, DrawnSound],
        span: tuple[float, float],
    ) -> Section:
        step = after.step
        assert step is not None
        blocks: list[Block] = [Text(f"{step.do}: {step.in_words()}.")]
        blocks += _notes([(after.name, step)])
        labelled = [replace(one, label=word) for one, word in zip(players, ("before", "after"), strict=True)]
        blocks.append(Players(f"{name}, {after.name}", labelled))
        blocks.append(Text(_did(clips, after.readings, after.latency_frames, self.rate)))
        blocks += self._pictures(name, k, after, sounds, span)
        return Section(f"{k}. {_called(after)}", blocks)

    def _pictures(
        self, name: str, k: int, stage: Stage, sounds: tuple[DrawnSound, DrawnSound], span: tuple[float, float]
    ) -> list[Figure]:
        title = f"{name}, {stage.name}"
        one, other = sounds
        found = [
            reading_figure(
                f"{name}-{k}-gain-{i}",
                f"{title}: gain reduction over time",
                one.wave,
                other.wave,
                reading,
                begin_s=span[0],
                end_s=span[1],
                words=("before", "after"),
            )
            for i, reading in enumerate(stage.readings)
        ]
        assert stage.step is not None
        for i, (inner_name, step) in enumerate(walk([stage.step], [stage.name])):
            if step.picture == "response":
                found.append(
                    response_figure(f"{name}-{k}-response-{i}", f"{name}, {inner_name}: response", step, self.rate)
                )
            elif step.picture == "curve":
                found += curve_figures(f"{name}-{k}-{i}", f"{name}, {inner_name}", step, self.rate)
        if not found:
            bands = [("before", one.measured.third_octave_db or {}), ("after", other.measured.third_octave_db or {})]
            found.append(bands_figure(f"{name}-{k}-bands", f"{title}: third octaves", bands))
        return found

    def _among_others(self, name: str, span: tuple[float, float]) -> list[Section]:
        """Sections of its bus and of the mix, each without the stem and with it."""
        recipe = self.opened.recipe
        others = tuple(one for one in recipe.stems if one != name)
        bus = recipe.stems[name].to
        if not others:
            words = "It is the only stem: the mix is this stem after its own chain and those of its bus and the main."
            return [Section("In the mix", [Text(words), *self._of_bus(bus)])]
        options = RenderOptions(store=self.store.folder, workers=self.chosen.workers, measure_only=True)
        plan = build_plan(self.opened, only=others, hash_file=self.store.hash_file)
        without = render(plan, self.work, options, progress=self.progress).prints
        found = []
        for node in dict.fromkeys((bus, "main")):
            if node not in self.prints or node not in without:
                continue
            pair = ((f"without {name}", without[node]), (f"with {name}", self.prints[node]))
            clips = [Clip(word, self._cut(printed, span)) for word, printed in pair]
            word = "the mix" if node == "main" else f"the bus {node}"
            players = self._players(f"{name} in {word}", clips, f"{name}-in-{node}")
            found.append(
                Section(f"In {word}", [*self._of_bus(node), players, _levels(clips, self.rate, f"{name} in {word}")])
            )
        return found

    def _of_bus(self, node: str) -> list[Block]:
        """The author's note about a bus or the main, and its steps in words."""
        recipe = self.opened.recipe
        strip: Bus | Main = recipe.buses.get(node) or recipe.main
        blocks: list[Block] = [Text(strip.note, "note")] if strip.note else []
        path = ("buses", node) if node in recipe.buses else ("main",)
        for (_, named), step in zip(self.opened.addresses(*path), strip.chain, strict=True):
            if not step.bypass:
                blocks.append(Text(f"{node}, {step.do}: {step.in_words()}."))
                blocks += _notes([(named.removeprefix("chain."), step)])
        return blocks

    def _players(self, title: str, clips: list[Clip], name: str) -> Block:
        return matched(title, clips, self.rate, self.place.folder / "audio", name)

    def _drawn(self, printed: Print) -> DrawnSound:
        with closing(PrintSource(printed)) as source:
            return hear(blocks_of(source, source.n_frames), self.rate, source.n_channels, every=8)

    def _cut(self, printed: Print, span: tuple[float, float]) -> Array:
        begin, end = (s_to_frames(second, self.rate) for second in span)
        with closing(PrintSource(printed, begin)) as source:
            return source.read(end - begin)

    def _span(self, printed: Print) -> tuple[float, float]:
        """The chosen stretch of the session; where none is chosen, the loudest seconds of the stem."""
        if self.chosen.from_s is not None or self.chosen.to_s is not None:
            end = self.plan.session_s if self.chosen.to_s is None else self.chosen.to_s
            return self.chosen.from_s or 0.0, min(end, self.plan.session_s)
        length = min(DEFAULT_S, self.plan.session_s)
        hop = self.rate // 10
        with closing(PrintSource(printed)) as source:
            powers = [float(np.sum(x * x)) for x in blocks_of_hops(source, hop)]
        sums = np.concatenate([[0.0], np.cumsum(powers)])
        width = int(length * 10)
        last = max(0, min(len(powers), int(self.plan.session_s * 10)) - width)
        begin = int(np.argmax(sums[width : width + last + 1] - sums[: last + 1])) if last and sums.size > width else 0
        return begin / 10.0, begin / 10.0 + length


def blocks_of_hops(source: PrintSource, hop: int) -> list[Array]:
    """A print in pieces of a tenth of a second."""
    return [source.read(hop) for _ in range(-(-source.n_frames // hop))]


def _did(clips: Sequence[Clip], readings: Sequence[Reading], latency_frames: int, rate_hz: int) -> str:
    """The effect of a step on the clip, in words."""
    (before, _), (after, _) = (loudness_and_peak(clip.x, rate_hz) for clip in clips)
    words = []
    for reading in readings:
        word = "gain reduction" if reading.gain_reduction_max_db >= 0 else "gain"
        words.append(
            f"{word} at most {abs(reading.gain_reduction_max_db):.1f} dB, on average "
            f"{abs(reading.gain_reduction_mean_db):.1f} dB while active, active "
            f"{reading.gain_reduction_working_pct:.0f} % of the time"
        )
    if np.isfinite(before) and np.isfinite(after):
        change = f"{abs(after - before):.1f} LU {'louder' if after >= before else 'quieter'}"
        words.append(f"the clip is {change if abs(after - before) >= 0.05 else 'equally loud'} after the step")
    if latency_frames:
        words.append(f"its latency of {1000.0 * latency_frames / rate_hz:.1f} ms is compensated")
    text = "; ".join(words) or "too quiet here to measure"
    return f"{text[0].upper()}{text[1:]}."


def _levels(clips: Sequence[Clip], rate_hz: int, what: str) -> DataTable:
    rows = []
    for clip in clips:
        lufs, peak = loudness_and_peak(clip.x, rate_hz)
        rows.append([clip.label, *(f"{value:.1f}" if np.isfinite(value) else "-inf" for value in (lufs, peak))])
    return DataTable(["clip", "true loudness LUFS", "true peak dBTP"], rows, f"True levels: {what}")


def _called(stage: Stage) -> str:
    """The name of a step for a heading; its processor where it has no name."""
    if stage.step is None:
        return stage.name
    last = stage.name.rpartition(".")[2]
    if last.isdigit() or last == stage.step.do:
        return stage.step.do
    return f"{stage.name} ({stage.step.do})"


def _notes(steps: Sequence[tuple[str, Step]]) -> list[Block]:
    """The notes of steps, and the steps of inner chains in words."""
    blocks: list[Block] = []
    for name, step in steps:
        for inner_name, inner in walk([step], [name]):
            if inner is not step:
                blocks.append(Text(f"{inner_name.removeprefix(name + '.')}, {inner.do}: {inner.in_words()}"))
            if inner.note:
                blocks.append(Text(inner.note, "note"))
    return blocks
