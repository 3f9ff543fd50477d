"""Makes a pack. It contains nothing about the author's machine: no paths, no times, no chunks of other programs."""

from __future__ import annotations

import hashlib
import json
import re
import zipfile
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from chainrun import __version__
from chainrun.audiofile import Reader, Writer
from chainrun.delivery import RenderOptions, RenderResult, render
from chainrun.delivery.result import node_record
from chainrun.errors import Problem, ResourceError, UsageError, printable, reason, shown_path
from chainrun.plan import Plan, build_plan
from chainrun.problem_codes import Code
from chainrun.recipe import Opened
from chainrun.recipe.resolve import resolved_data
from chainrun.recipe.step_files import steps_with_files
from chainrun.recipe.written import recipe_text
from chainrun.store.prints import Print, PrintSource
from chainrun.store.store import Store
from chainrun.whole_file import beside, safely_resolved, work_folder

SUMS = "SHA256SUMS"
EPOCH = (1980, 1, 1, 0, 0, 0)
Bits = Literal[16, 24, 32]
BITS: dict[str, Bits] = {"PCM_S8": 16, "PCM_U8": 16, "PCM_16": 16, "PCM_24": 24}
"""Bit depths of encodings that integer samples hold exactly; all others are kept as float."""
MAX_LICENCE_BYTES = 1 << 20
OF_THE_RECORDING = (
    "channel", "at_s", "from_s", "to_s", "trim_db", "invert", "shift_samples", "shift_ms", "hit_level_dbfs",
)  # fmt: skip
"""Keys of a stem that apply to its files before the chain."""


@dataclass(frozen=True)
class PackOptions:
    """Options of a pack."""

    processed: bool = False
    """Whether to pack stems after their chains instead of the recordings."""
    licence: Path | None = None
    """Text file that says what others may do with the pack; None for none."""
    workers: int | None = None
    """Worker processes. Default: automatic."""
    store: Path | None = None
    """Folder of kept prints; None keeps none."""


@dataclass(frozen=True)
class PackResult:
    """Result of making a pack."""

    file: Path
    n_bytes: int
    warnings: list[str]
    """Warnings of the mix's render."""
    failures: list[str]
    """Targets that the mix misses; the pack is written nevertheless."""


def plain_name(text: str) -> str:
    """The text as a name that is valid on every file system."""
    return re.sub(r"[^A-Za-z0-9._-]+", "-", text).strip("-.")[:80] or "session"


def make_pack(opened: Opened, target: Path, options: PackOptions | None = None) -> PackResult:
    """Render a recipe's mix, and pack stems, recipe, measurements and mix into one zip, `target`.

    Raises UsageError for a target that is an input or a licence that cannot be read, AudioError, ResourceError.
    """
    options = options or PackOptions()
    with work_folder("chainrun-store") as work:
        store = Store(options.store if options.store is not None else work)
        plan = build_plan(opened, hash_file=store.hash_file)
        result = _make(opened, plan, target, store, options)
    return PackResult(target, target.stat().st_size, result.warnings, result.failures)


def _make(opened: Opened, plan: Plan, target: Path, store: Store, options: PackOptions) -> RenderResult:
    if safely_resolved(target) in plan.inputs:
        raise UsageError(
            Problem(
                "the pack would be written over an input",
                given=shown_path(target),
                hint="give it another name",
                code=Code.PACK_OVER_INPUT,
            )
        )
    licence = _licence(options.licence)
    with work_folder("chainrun-pack") as work:
        out = work / "mix"
        result = render(plan, out, RenderOptions(store=store.folder, workers=options.workers))
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with beside(target) as part, zipfile.ZipFile(part, "w") as file:
                _fill(
                    _Filler(file, plain_name(opened.name), work),
                    opened,
                    plan,
                    result,
                    store,
                    options=options,
                    licence=licence,
                )
        except OSError as error:
            raise ResourceError(
                Problem(
                    f"the pack could not be written ({error.strerror})",
                    file=shown_path(target),
                    code=Code.CANNOT_WRITE,
                )
            ) from error
    return result


def is_pack(path: Path) -> bool:
    """Whether a file is a zip with a pack's list of checksums."""
    try:
        with zipfile.ZipFile(path) as file:
            return any(name.rpartition("/")[2] == SUMS for name in file.namelist())
    except (OSError, ValueError, zipfile.BadZipFile, NotImplementedError):
        return False


def _licence(path: Path | None) -> str | None:
    if path is None:
        return None
    try:
        if path.stat().st_size > MAX_LICENCE_BYTES:
            raise UsageError(
                Problem(
                    "the licence is too long",
                    given=shown_path(path),
                    allowed="1 MiB of text",
                    code=Code.LICENCE_TOO_LONG,
                )
            )
        return path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            Problem(
                f"the licence cannot be read ({reason(error)})",
                given=shown_path(path),
                hint="give a text file in UTF-8",
                code=Code.CANNOT_READ,
            )
        ) from error


class _Filler:
    """Puts files into the zip and collects their checksums."""

    def __init__(self, file: zipfile.ZipFile, folder: str, work: Path):
        self.file, self.folder, self.work = file, folder, work
        self.sums: dict[str, str] = {}

    def text(self, name: str, text: str) -> None:
        data = text.encode()
        self.sums[name] = hashlib.sha256(data).hexdigest()
        self.file.writestr(self._info(name), data, zipfile.ZIP_DEFLATED)

    def copy(self, name: str, path: Path) -> None:
        digest = hashlib.sha256()
        with path.open("rb") as source, self.file.open(self._info(name), "w", force_zip64=True) as target:
            while piece := source.read(1 << 20):
                digest.update(piece)
                target.write(piece)
        self.sums[name] = digest.hexdigest()

    def _info(self, name: str) -> zipfile.ZipInfo:
        info = zipfile.ZipInfo(f"{self.folder}/{name}", EPOCH)
        info.create_system, info.external_attr = 3, 0o644 << 16
        return info


def _fill(
    filler: _Filler,
    opened: Opened,
    plan: Plan,
    result: RenderResult,
    store: Store,
    *,
    options: PackOptions,
    licence: str | None,
) -> None:
    data = resolved_data(opened, opened.path.parent)
    data["stems_dir"] = "stems"
    for name in opened.recipe.stems:
        if options.processed:
            _processed(filler, name, data["stems"][name], plan, store)
        else:
            _raw(filler, name, data["stems"][name], opened.stem_files(name))
    if options.processed:
        data["rate_hz"] = plan.rate_hz
        _keep_raw_keys(filler, data, opened)
        expected = data.get("expect", {})
        data["expect"] = {key: value for key, value in expected.items() if not re.match(r"stems\.[^.]+\.chain\.", key)}
    _responses(filler, data, opened.path.parent)
    filler.text(f"{filler.folder}.recipe.toml", recipe_text(data))
    filler.text("measurements.json", json.dumps(_measurements(result), indent=1, allow_nan=False) + "\n")
    for delivery in result.deliveries[:1]:
        file = Path(delivery.file)
        filler.copy(f"mix/{plain_name(file.stem)}{file.suffix}", file)
    if licence is not None:
        filler.text("LICENCE.txt", licence)
    filler.text("README.txt", _readme(filler, opened, result, options, licence))
    lines = [f"{digest}  {name}\n" for name, digest in sorted(filler.sums.items())]
    filler.text(SUMS, "".join(lines))


def _raw(filler: _Filler, name: str, stem: dict[str, object], files: list[Path]) -> None:
    """Put in a stem's recordings, sample for sample, in files without foreign chunks."""
    written = []
    for side, path in zip(("-left", "-right") if len(files) == 2 else ("",), files, strict=True):
        copy = _clean_copy(path, filler.work / f"{name}{side}")
        filler.copy(f"stems/{copy.name}", copy)
        copy.unlink()
        written.append(copy.name)
    stem["file"] = written if len(written) == 2 else written[0]


def _clean_copy(source: Path, target: Path) -> Path:
    with Reader(source) as reader:
        header = reader.header
        bits = BITS.get(header.encoding, 32)
        path = target.with_name(target.name + (".wav" if bits == 32 or header.n_channels > 8 else ".flac"))
        with Writer(path, header.rate_hz, header.n_channels, header.n_frames, bits=bits, dither=False) as writer:
            for x in reader.blocks(1 << 16):
                writer.write(x)
            writer.finish()
    return path


def _processed(filler: _Filler, name: str, stem: dict[str, object], plan: Plan, store: Store) -> None:
    """Put in a stem's print, after its chain: fader, pan, sends and rides stay in the recipe."""
    node = next((one for one in plan.nodes if one.name == name), None)
    footer = store.footer(node.identity) if node is not None else None
    if node is None or footer is None:
        raise ResourceError(
            Problem(
                "the stem's print is missing from the store",
                key=f"stems.{name}",
                hint="render again",
                code=Code.PRINT_GONE,
            )
        )
    path = _print_as_wav(footer.print_at(store.path_of(node.identity)), plan.rate_hz, filler.work / f"{name}.wav")
    filler.copy(f"stems/{path.name}", path)
    path.unlink()
    for key in ("note", "chain", *OF_THE_RECORDING):
        stem.pop(key, None)
    stem["file"] = path.name


def _keep_raw_keys(filler: _Filler, data: dict[str, Any], opened: Opened) -> None:
    """For buses whose raw keys are recordings before their chains: put in those recordings as mute stems."""

    def walk(value: Any) -> None:
        if isinstance(value, dict):
            key = value.get("key")
            if isinstance(key, dict) and key.get("tap", "before_chain") == "before_chain":
                key["from"] = [_raw_twin(filler, name, data, opened) for name in key["from"]]
            for inner in value.values():
                walk(inner)
        elif isinstance(value, list):
            for inner in value:
                walk(inner)

    for bus in [*data.get("buses", {}).values(), data.get("main", {})]:
        walk(bus.get("chain", []))


def _raw_twin(filler: _Filler, name: str, data: dict[str, Any], opened: Opened) -> str:
    """The name of a mute stem with the recording of stem `name`; a bus keeps its name, since its sum is the same."""
    if name not in opened.recipe.stems:
        return name
    twin = f"{name}-raw"[-64:]
    while twin in opened.recipe.stems or twin in opened.recipe.buses:
        twin = f"{twin[:60]}-2"
    if twin not in data["stems"]:
        written = opened.recipe.stems[name].model_dump(exclude_unset=True, by_alias=True)
        stem = {key: written[key] for key in OF_THE_RECORDING if written.get(key) is not None} | {"mute": True}
        _raw(filler, twin, stem, opened.stem_files(name))
        data["stems"][twin] = stem
    return twin


def _print_as_wav(printed: Print, rate_hz: int, path: Path) -> Path:
    with (
        closing(PrintSource(printed)) as source,
        Writer(path, rate_hz, printed.n_channels, source.n_frames, bits=32, dither=False) as writer,
    ):
        for at in range(0, source.n_frames, 1 << 16):
            writer.write(np.ascontiguousarray(source.read(min(1 << 16, source.n_frames - at))))
        writer.finish()
    return path


def _responses(filler: _Filler, data: dict[str, Any], folder: Path) -> None:
    """Put in the impulse responses of steps, in a folder of their own, and update their paths in the recipe."""
    names: dict[Path, str] = {}
    for _, step in steps_with_files(data):
        path = (folder / step["file"]).resolve()
        if path not in names:
            copy = _clean_copy(path, filler.work / f"response-{len(names) + 1}")
            names[path] = f"responses/{copy.name}"
            filler.copy(names[path], copy)
            copy.unlink()
        step["file"] = names[path]


def _measurements(result: RenderResult) -> dict[str, object]:
    record = _without(result.record(), "warnings", "seconds", "times_real_time")  # warnings may contain folder names
    record["deliveries"] = [{**one.record(), "file": Path(one.file).name} for one in result.deliveries]
    record["nodes"] = {
        node.name: _without(node_record(node), "readings", "wet_levels", "seconds", "from_store", "identity")
        for node in result.nodes
    }
    return record


def _without(record: Mapping[str, object], *keys: str) -> dict[str, object]:
    return {key: value for key, value in record.items() if key not in keys}


def _readme(filler: _Filler, opened: Opened, result: RenderResult, options: PackOptions, licence: str | None) -> str:
    stems = "stems after their chains, as 32-bit float" if options.processed else "the recordings, sample for sample"
    lines = [opened.recipe.title or opened.name, ""]
    lines += [opened.recipe.note, ""] if opened.recipe.note else []
    lines += [
        f"stems/            {stems}",
        f"{filler.folder}.recipe.toml   the mix as text: every level, chain and bus",
        "mix/              the mix, for reference",
        "measurements.json its measurements",
        "SHA256SUMS        checksums, to detect damage: sha256sum -c SHA256SUMS",
        "LICENCE.txt       what you may do with it"
        if licence is not None
        else "No licence is given: ask the author before you pass it on.",
        "",
        f"Made by chainrun {__version__}. To render it again:",
        "",
        f"    chainrun render {filler.folder}.recipe.toml -o out",
        "",
        "Mind the listening level: start low. If sound is part of your work, local rules on noise apply.",
    ]
    for delivery in result.deliveries[:1]:
        m = delivery.measured
        lines.append(f"The mix measures {m.integrated_lufs:.1f} LUFS. SHA-256 of its samples: {delivery.pcm_sha256}.")
    return "\n".join(printable(line) for text in lines for line in text.split("\n")) + "\n"
