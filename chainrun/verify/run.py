"""Verifies a recipe: renders it, judges [expect], holds it to its baseline."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from chainrun.audiofile import Reader, read_header
from chainrun.audiofile.read import hash_content
from chainrun.audiofile.write import Writer
from chainrun.comparison.difference import difference
from chainrun.comparison.limits import Floor, dither_dbfs
from chainrun.delivery import RenderOptions, RenderResult, render
from chainrun.delivery.result import SCHEMA_VERSION, DeliveryResult
from chainrun.errors import Problem, RecipeError, UsageError
from chainrun.measured import measured_record
from chainrun.plan import build_plan
from chainrun.recipe import Opened
from chainrun.recipe.expected import expectation_problems
from chainrun.recipe.tables import place_of
from chainrun.store import hasher
from chainrun.store.store import Store
from chainrun.verify import baseline as baselines
from chainrun.verify.changed import baseline_path, changed_presets
from chainrun.verify.expectations import judge_expectations
from chainrun.verify.facts import delivery_name, gather
from chainrun.verify.judge import FORMAT, Cause, Check, find_cause, judge_delivery, renamed
from chainrun.whole_file import work_folder


@dataclass
class Verdict:
    """What became of one recipe."""

    recipe: str
    path: Path
    baseline: Path
    checks: list[Check] = field(default_factory=list)
    cause: Cause | None = None
    accepted: bool = False
    notes: list[str] = field(default_factory=list)
    places: dict[str, Problem] = field(default_factory=dict)
    """File and line of keys that checks and causes name."""
    seconds: float = 0.0
    result: RenderResult | None = None
    compared: list[tuple[str, dict[str, Any], dict[str, Any]]] = field(default_factory=list)
    """Deliveries that are not the same samples: name, the baseline's facts, and today's."""

    @property
    def passed(self) -> bool:
        """Whether every check did."""
        return all(check.passed for check in self.checks)

    def record(self) -> dict[str, Any]:
        """As a JSON object."""
        return {
            "recipe": self.recipe,
            "file": str(self.path),
            "baseline": str(self.baseline),
            "passed": self.passed,
            "accepted": self.accepted,
            "checks": [check.record() for check in self.checks],
            "cause": vars(self.cause) if self.cause is not None else None,
            "notes": self.notes,
            "deliveries": [
                {"file": Path(one.file).name, "measured": measured_record(one.measured), "pcm_sha256": one.pcm_sha256}
                for one in (self.result.deliveries if self.result is not None else [])
            ],
            "seconds": round(self.seconds, 3),
        }


def document(verdicts: list[Verdict], n_refused: int = 0) -> dict[str, Any]:
    """The JSON document of `verify`; recipes that were refused have not passed."""
    return {
        "schema_version": SCHEMA_VERSION,
        "passed": n_refused == 0 and all(verdict.passed for verdict in verdicts),
        "results": [verdict.record() for verdict in verdicts],
    }


@dataclass(frozen=True)
class VerifyOptions:
    """How to verify."""

    accept: bool = False
    with_audio: bool = False
    store: Path | None = None
    workers: int | None = None
    out: Path | None = None
    """Where the rendered files stay; else they are thrown away."""


def verify(opened: Opened, options: VerifyOptions, *, progress: Callable[[str, float], None] | None = None) -> Verdict:
    """Render a recipe and judge it. With `accept` its baseline is written, else nothing is; without one it fails.

    Raises RecipeError for a damaged baseline or an expectation of what is not measured, AudioError, ResourceError.
    """
    began = time.perf_counter()
    path = baseline_path(opened)
    verdict = Verdict(opened.name + (f" ({opened.variant})" if opened.variant else ""), opened.path, path)
    if options.accept and opened.overlaid:
        hint = "a variant of the recipe, or a recipe with `base`, has a baseline of its own"
        raise UsageError(Problem("--accept keeps what the recipe says: not with --set or --overlay", hint=hint))
    if unknown := expectation_problems(opened):
        raise RecipeError(unknown)
    if path.exists():
        baselines.refuse_another(path, baselines.kept_already(path), opened)
    was = baselines.read(path) if path.exists() and not options.accept else None
    with _folders(options) as (out, store):
        render_options = RenderOptions(workers=options.workers, store=store)
        result = render(build_plan(opened, hash_file=hasher(store)), out, render_options, progress=progress)
        verdict.result = result
        kept = Store(store)
        verdict.checks += judge_expectations(opened, result, kept)
        verdict.checks += [Check(f"delivery {text.partition(': ')[0]}", False, text) for text in result.failures]
        if options.accept:
            _accept(path, gather(opened, result, kept, out), verdict, out, with_audio=options.with_audio)
        elif was is not None:
            _hold(opened, result, was, kept, verdict, out)
        elif opened.recipe.expect.baseline == "required":
            text = f"there is no baseline {path.name}; listen to the mix, then: chainrun verify RECIPE --accept"
            verdict.checks.append(Check("baseline", False, text, key="expect.baseline"))
    verdict.seconds = time.perf_counter() - began
    _locate(opened, verdict)
    return verdict


@contextmanager
def _folders(options: VerifyOptions) -> Iterator[tuple[Path, Path]]:
    with work_folder("chainrun-verify") as work:
        out = options.out if options.out is not None else work / "out"
        yield out, options.store if options.store is not None else work / "store"


def _hold(opened: Opened, result: RenderResult, was: dict[str, Any], store: Store, verdict: Verdict, out: Path) -> None:
    verdict.notes += changed_presets(opened)
    hashes = {delivery_name(one, out): _samples(Path(one.file), one) for one in result.deliveries}
    then = {
        name: (one["pcm_sha256"], one["rate_hz"], one["n_channels"], one["encoding"])
        for name, one in was["deliveries"].items()
    }
    if hashes == then:
        for name, one in zip(hashes, result.deliveries, strict=True):
            verdict.checks.append(Check(f"{name}: baseline", True, "the same samples", one.measured.integrated_lufs))
        return
    now = gather(opened, result, store, out)
    limits = opened.recipe.expect.tolerance
    floor = Floor(limits.residual_lu, limits.third_octave_db)
    for name in then:
        if name not in hashes:
            verdict.checks.append(Check(f"{name}: baseline", False, "this delivery is no longer made"))
    for name, facts in now["deliveries"].items():
        if name not in then:
            text = "the baseline does not know this delivery; accept it anew"
            verdict.checks.append(Check(f"{name}: baseline", False, text))
            continue
        verdict.compared.append((name, was["deliveries"][name], facts))
        checks = judge_delivery(name, was["deliveries"][name], facts, limits)
        verdict.checks += _with_audio(verdict, was["deliveries"][name], name, out / name, checks, floor)
    verdict.notes += renamed(was, now)
    if not verdict.passed:
        verdict.cause = find_cause(was, now, limits)


def _samples(path: Path, one: DeliveryResult) -> tuple[str, int, int, str]:
    """What must be the same for a file to be the same: its samples, and how they are to be read."""
    header = read_header(path)
    return one.pcm_sha256, header.rate_hz, header.n_channels, header.encoding


def _with_audio(
    verdict: Verdict, was: dict[str, Any], name: str, file: Path, checks: list[Check], floor: Floor
) -> list[Check]:
    """Where the baseline's audio was kept, the residual is exact, and the verdict goes by it."""
    floor = replace(floor, dither_dbfs=dither_dbfs(str(was["encoding"])))
    audio, wanted = baselines.audio_path(verdict.baseline, name), was.get("audio_sha256")
    if wanted is None or all(check.passed for check in checks):
        return checks
    if not audio.is_file() or hash_content(audio) != wanted:
        state = "is not the one that was accepted" if audio.exists() else "is gone"
        verdict.notes.append(f"{audio.name} {state}: judged by the baseline's sketch instead")
        return checks
    found = difference(audio, file, match=False)
    text = f"exact residual: {found.sentence(floor)}"
    exact = Check(f"{name}: exact residual", found.inaudible(floor), text, found.residual_lu)
    if not exact.passed:
        return [*checks, exact]
    exactly = {f"{name}: {word}" for word in (*FORMAT, "encoding")}
    return [*(check for check in checks if check.name in exactly), exact]


def _accept(path: Path, facts: dict[str, Any], verdict: Verdict, out: Path, *, with_audio: bool) -> None:
    """Write a baseline, after its audio: each delivery as FLAC of 24 bits beside it."""
    for name, of_delivery in facts["deliveries"].items():
        audio = baselines.audio_path(path, name)
        if with_audio and of_delivery["sample_peak_dbfs"] > 0.0:
            verdict.notes.append(f"{name} goes over 0 dBFS, which FLAC cannot hold: no audio was kept of it")
        elif with_audio:
            _keep_audio(out / name, audio)
            of_delivery["audio_sha256"] = hash_content(audio)
        elif audio.exists():
            verdict.notes.append(f"{audio.name} is of an earlier baseline, and no longer used: delete it")
    baselines.write(path, facts)
    verdict.accepted = True


def _keep_audio(delivery: Path, target: Path) -> None:
    with Reader(delivery) as reader:
        header = reader.header
        with Writer(target, header.rate_hz, header.n_channels, header.n_frames, dither=False) as writer:
            for x in reader.blocks(1 << 16):
                writer.write(x)
            writer.finish()


def _locate(opened: Opened, verdict: Verdict) -> None:
    """File and line of what checks and causes are about."""
    keys = [check.key for check in verdict.checks if check.key]
    keys += list(verdict.cause.changed) if verdict.cause is not None else []
    for key in keys:
        head, _, rest = key.partition(".")
        path = (head, rest) if head == "expect" else tuple(int(one) if one.isdigit() else one for one in key.split("."))
        verdict.places[key] = opened.problems.at(place_of(opened.table, _by_digits(opened, path)), Problem(""))


def _by_digits(opened: Opened, path: tuple[str | int, ...]) -> tuple[str | int, ...]:
    """A path whose step is named, with the step's place in the unfolded chain instead."""
    if "chain" not in path:
        return path
    at = path.index("chain")
    node: Any = opened.table
    for one in path[:at]:
        node = node.get(one, {}) if isinstance(node, dict) else {}
    wanted = ".".join(str(one) for one in path[at + 1 :])
    for i, step in enumerate(node.get("chain", []) if isinstance(node, dict) else []):
        if f"{wanted}.".startswith(f"{step.named}."):
            return (*path[: at + 1], i, *path[at + 2 + step.named.count(".") :])
    return path[:at]
