"""Verifies a recipe: renders it, judges [expect], compares it with its baseline; or accepts it as the new one."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from chainrun.audiofile import Reader, read_header
from chainrun.audiofile.read import hash_content
from chainrun.audiofile.write import Writer
from chainrun.comparison.difference import difference
from chainrun.comparison.limits import Floor, dither_dbfs
from chainrun.delivery import RenderOptions, RenderResult, render
from chainrun.errors import Problem, RecipeError, UsageError
from chainrun.plan import build_plan
from chainrun.problem_codes import Code
from chainrun.recipe import Opened
from chainrun.recipe.expected import expectation_problems
from chainrun.store import hasher
from chainrun.store.store import Store
from chainrun.verify import baseline as baselines
from chainrun.verify.aspects import FORMAT, Aspect
from chainrun.verify.baseline import Baseline
from chainrun.verify.causes import find_cause, node_changes
from chainrun.verify.changed import baseline_path, changed_preset_names
from chainrun.verify.changes import AudioNote, AudioNoteKind, Cause, Note, PresetChange
from chainrun.verify.checks import Check, Exactly, NoBaseline, RenderFailure, Samples
from chainrun.verify.expectations import judge_expectations
from chainrun.verify.facts import DeliveryFacts
from chainrun.verify.gather import delivery_name, gather
from chainrun.verify.judge import judge_delivery, samples_check
from chainrun.verify.places import places_of
from chainrun.verify.verdicts import DeliveryPair, Verdict
from chainrun.whole_file import work_folder

Progress = Callable[[str, float], None]
"""Called with a node's name and its rendered share, 0 to 1."""
MAX_FLAC_DBFS = 0.0
READ_FRAMES = 1 << 16


@dataclass(frozen=True)
class VerifyOptions:
    """Options for rendering a recipe to verify."""

    store: Path | None = None
    """Folder of kept prints; None keeps none."""
    workers: int | None = None
    out: Path | None = None
    """Folder for the rendered files; None keeps none."""


@dataclass(frozen=True)
class _Rendered:
    """A rendered recipe, valid as long as its files exist."""

    opened: Opened
    result: RenderResult
    store: Store
    out: Path

    def checks(self) -> list[Check]:
        """Checks without a baseline: expectations, and deliveries that miss what the recipe asks for."""
        failures = [
            Check(Aspect.RENDER, False, delivery=miss.delivery, detail=RenderFailure(miss.text()))
            for miss in self.result.misses
        ]
        return judge_expectations(self.opened, self.result, self.store) + failures

    def gathered(self) -> Baseline:
        """The baseline of this render."""
        return gather(self.opened, self.result, self.store, self.out)


@dataclass
class _Findings:
    """Findings collected for a verdict."""

    checks: list[Check] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    compared: list[DeliveryPair] = field(default_factory=list)
    cause: Cause | None = None


def verify_recipe(opened: Opened, options: VerifyOptions | None = None, *, progress: Progress | None = None) -> Verdict:
    """Render a recipe, judge its expectations, and compare it with the baseline beside it.

    Writes only to the options' folders. A recipe that requires a baseline and has none fails a check. Raises
    RecipeError for a baseline that is damaged or another recipe's, and for an expectation of something that is not
    measured; AudioError; ResourceError.
    """
    began = time.perf_counter()
    path = _own_baseline(opened)
    was = baselines.read(path) if path.exists() else None
    with _rendered(opened, options or VerifyOptions(), progress) as rendered:
        found = _Findings(rendered.checks())
        if was is not None:
            _hold(rendered, was, found)
        elif opened.recipe.expect.baseline == "required":
            found.checks.append(Check(Aspect.SAMPLES, False, detail=NoBaseline(path.name), key="expect.baseline"))
    return _verdict(opened, rendered.result, found, began)


def accept(
    opened: Opened,
    options: VerifyOptions | None = None,
    *,
    with_audio: bool = False,
    progress: Progress | None = None,
) -> Verdict:
    """Render a recipe and write its baseline; its expectations are judged, too.

    `with_audio` keeps each delivery beside the baseline, as 24-bit FLAC, for exact residuals later. Raises UsageError
    for a recipe with overlays or single values, RecipeError if the baseline's file belongs to another recipe,
    AudioError, ResourceError.
    """
    began = time.perf_counter()
    if opened.overlaid:
        raise UsageError(
            Problem(
                "a recipe can be accepted only as written, without overlays or changed values",
                hint="for a changed sound with its own baseline, write a variant, or a recipe with `base`",
                code=Code.ACCEPT_CHANGED_RECIPE,
            )
        )
    path = _own_baseline(opened)
    with _rendered(opened, options or VerifyOptions(), progress) as rendered:
        found = _Findings(rendered.checks())
        gathered = rendered.gathered()
        deliveries = {
            name: _keep_audio(path, name, one, rendered.out, found.notes, wanted=with_audio)
            for name, one in gathered.deliveries.items()
        }
        baselines.write(path, gathered.model_copy(update={"deliveries": deliveries}))
    return replace(_verdict(opened, rendered.result, found, began), accepted=True)


def _own_baseline(opened: Opened) -> Path:
    """Path of the recipe's baseline, existing or not. Raises RecipeError if it cannot be judged by that."""
    if unknown := expectation_problems(opened):
        raise RecipeError(unknown)
    path = baseline_path(opened)
    if path.exists():
        baselines.refuse_another(path, opened)
    return path


@contextmanager
def _rendered(opened: Opened, options: VerifyOptions, progress: Progress | None) -> Iterator[_Rendered]:
    with work_folder("chainrun-verify") as work:
        out = options.out if options.out is not None else work / "out"
        store = options.store if options.store is not None else work / "store"
        plan = build_plan(opened, hash_file=hasher(store))
        result = render(plan, out, RenderOptions(workers=options.workers, store=store), progress=progress)
        yield _Rendered(opened, result, Store(store), out)


def _verdict(opened: Opened, result: RenderResult, found: _Findings, began: float) -> Verdict:
    return Verdict(
        recipe=opened.name + (f" ({opened.variant})" if opened.variant else ""),
        path=opened.path,
        baseline=baseline_path(opened),
        checks=tuple(found.checks),
        cause=found.cause,
        notes=tuple(found.notes),
        places=places_of(opened, found.checks, found.cause),
        seconds=time.perf_counter() - began,
        result=result,
        compared=tuple(found.compared),
    )


# -- against a baseline ------------------------------------------------------------------------------------------------


def _hold(rendered: _Rendered, was: Baseline, found: _Findings) -> None:
    opened = rendered.opened
    path = baseline_path(opened)
    found.notes += [PresetChange(name, path) for name in changed_preset_names(opened)]
    if _same_files(rendered, was):
        found.checks += [
            samples_check(delivery_name(one, rendered.out), Samples.SAME, one.measured.integrated_lufs)
            for one in rendered.result.deliveries
        ]
        return
    now = rendered.gathered()
    limits = opened.recipe.expect.tolerance
    floor = Floor(limits.residual_lu, limits.third_octave_db)
    found.checks += [samples_check(name, Samples.NOT_MADE) for name in was.deliveries if name not in now.deliveries]
    for name, facts in now.deliveries.items():
        if name not in was.deliveries:
            found.checks.append(samples_check(name, Samples.NOT_KNOWN))
            continue
        pair = DeliveryPair(name, was.deliveries[name], facts)
        found.compared.append(pair)
        checks = judge_delivery(name, pair.was, pair.now, limits)
        found.checks += _by_audio(path, pair, rendered.out / name, checks, floor=floor, notes=found.notes)
    found.notes += node_changes(was, now)
    if not all(check.passed for check in found.checks):
        found.cause = find_cause(was, now, limits)


def _same_files(rendered: _Rendered, was: Baseline) -> bool:
    """Whether all deliveries have the baseline's samples, rate, channels and encoding."""
    then = {name: (one.pcm_sha256, one.rate_hz, one.n_channels, one.encoding) for name, one in was.deliveries.items()}
    now = {}
    for one in rendered.result.deliveries:
        header = read_header(Path(one.file))
        now[delivery_name(one, rendered.out)] = (one.pcm_sha256, header.rate_hz, header.n_channels, header.encoding)
    return then == now


# -- the baseline's audio ----------------------------------------------------------------------------------------------


def _by_audio(
    baseline: Path, pair: DeliveryPair, file: Path, checks: list[Check], *, floor: Floor, notes: list[Note]
) -> list[Check]:
    """The checks with the exact residual, which decides, if the baseline's audio was kept."""
    audio, wanted = baselines.audio_path(baseline, pair.delivery), pair.was.audio_sha256
    if wanted is None or all(check.passed for check in checks):
        return checks
    if not audio.is_file() or hash_content(audio) != wanted:
        kind = AudioNoteKind.NOT_THE_ACCEPTED_ONE if audio.exists() else AudioNoteKind.GONE
        notes.append(AudioNote(kind, audio.name))
        return checks
    floor = replace(floor, dither_dbfs=dither_dbfs(pair.was.encoding))
    found = difference(audio, file, match=False)
    exact = Check(
        Aspect.EXACT_RESIDUAL,
        found.inaudible(floor),
        found.residual_lu,
        delivery=pair.delivery,
        detail=Exactly(found, floor),
    )
    if not exact.passed:
        return [*checks, exact]
    return [*(check for check in checks if check.aspect in FORMAT or check.aspect is Aspect.ENCODING), exact]


def _keep_audio(
    baseline: Path, name: str, facts: DeliveryFacts, out: Path, notes: list[Note], *, wanted: bool
) -> DeliveryFacts:
    """Keep a delivery's audio beside its baseline, if wanted and possible; returns its facts with the audio's hash."""
    audio = baselines.audio_path(baseline, name)
    if wanted and facts.sample_peak_dbfs > MAX_FLAC_DBFS:
        notes.append(AudioNote(AudioNoteKind.TOO_LOUD, name))
    elif wanted:
        _write_flac(out / name, audio)
        return facts.model_copy(update={"audio_sha256": hash_content(audio)})
    elif audio.exists():
        notes.append(AudioNote(AudioNoteKind.OF_AN_EARLIER_BASELINE, audio.name))
    return facts


def _write_flac(delivery: Path, target: Path) -> None:
    with Reader(delivery) as reader:
        header = reader.header
        with Writer(target, header.rate_hz, header.n_channels, header.n_frames, dither=False) as writer:
            for x in reader.blocks(READ_FRAMES):
                writer.write(x)
            writer.finish()
