"""Collects the channels to survey, from a recipe's stems or a folder's files, each as a mono stem."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from chainrun.audiofile import Reader, read_header
from chainrun.errors import AudioError, Problem, UsageError, shown_path
from chainrun.limits import Limits
from chainrun.plan import FilePart, StemInput, build_plan
from chainrun.problem_codes import Code
from chainrun.recipe import Opened
from chainrun.survey.roles import Role, pairs, role_of, stem_name

ENDINGS = {".wav", ".flac", ".aif", ".aiff", ".ogg", ".mp3", ".w64", ".rf64", ".caf"}
NOTHING_DBFS = -55.0
"""Peak level below which a stem counts as not plugged in."""


@dataclass(frozen=True)
class Channel:
    """One microphone: a mono stem, or one channel of a stereo stem."""

    name: str
    stem: str
    side: int | None
    role: Role
    group: str | None
    distance_m: float | None
    input: StemInput
    """The channel as the recipe uses it: with trim, polarity and shift."""
    shift_in_ms: bool = False
    """Whether the recipe gives its shift in milliseconds."""
    doubled: bool = False
    """Whether both channels of its file are the same, so that one is used."""

    @property
    def path(self) -> Path:
        """Path of its file."""
        return Path(self.input.parts[0].path)

    @property
    def file_channel(self) -> int:
        """Index of its channel in the file, from 0."""
        return self.input.parts[0].channel or 0


@dataclass(frozen=True)
class Material:
    """All channels, at a common working rate."""

    channels: tuple[Channel, ...]
    rate_hz: int
    folder: Path

    def of_stem(self, stem: str) -> list[Channel]:
        """The channels of a stem, left first."""
        return [channel for channel in self.channels if channel.stem == stem]

    @property
    def stems(self) -> list[str]:
        """Names of the stems, in order."""
        return list(dict.fromkeys(channel.stem for channel in self.channels))


SAME = 2.02 / 32768.0
"""Maximum difference of two channels that count as the same, in 16-bit steps: dither may make exports differ."""


def equal_channels(path: Path) -> bool:
    """Whether both channels of a stereo file are the same: a common way to export mono sound."""
    with Reader(path) as reader:
        if reader.header.n_channels != 2:
            return False
        audible = False
        for x in reader.blocks(1 << 16):
            if np.abs(x[0] - x[1]).max(initial=0.0) > SAME:
                return False
            audible = audible or bool(np.abs(x).max(initial=0.0) > 16.0 * SAME)
    return audible  # two nearly silent channels are alike in any case


def _one_of_two(stem: StemInput) -> StemInput | None:
    """A mono stem in place of a stereo one with identical channels; None for any other."""
    if stem.n_channels != 2:
        return None
    left, right = stem.parts
    alike = (left.trim_db, left.invert, left.shift_frames) == (right.trim_db, right.invert, right.shift_frames)
    if left.path != right.path or not alike or not equal_channels(Path(left.path)):
        return None
    return replace(stem, parts=(left,), n_channels=1)


def _split(name: str, stem: StemInput, role: Role, group: str | None, distance_m: float | None) -> list[Channel]:
    if stem.n_channels == 1:
        return [Channel(name, name, None, role, group, distance_m, stem)]
    made = []
    for side, part in enumerate(stem.parts):
        alone = replace(stem, parts=(part,), n_channels=1)
        sided = replace(role, side=("left", "right")[side])
        made.append(Channel(f"{name}.{('left', 'right')[side]}", name, side, sided, group, distance_m, alone))
    return made


def of_recipe(opened: Opened) -> Material:
    """The stems of a recipe, with its settings that apply before the chains. Raises AudioError, RecipeError."""
    plan = build_plan(opened, hash_file=None)
    channels: list[Channel] = []
    for name, stem in opened.recipe.stems.items():
        node = plan.node(name)
        assert node.stem is not None
        role = role_of(name)
        if role.instrument is None:
            role = role_of(Path(node.stem.parts[0].path).stem)
        alone = _one_of_two(node.stem)
        made = _split(name, alone or node.stem, role, stem.group, stem.microphone.distance_m)
        in_ms, doubled = stem.shift_ms is not None, alone is not None
        channels += [replace(one, shift_in_ms=in_ms, doubled=doubled) for one in made]
    return Material(tuple(channels), plan.rate_hz, opened.path.parent)


def audio_files(folder: Path) -> list[Path]:
    """The audio files of a folder, sorted by name. Raises UsageError if there are none."""
    if not folder.is_dir():
        raise UsageError(Problem("there is no such folder", given=shown_path(folder), code=Code.FOLDER_NOT_FOUND))
    files = sorted(
        (path for path in folder.iterdir() if path.suffix.lower() in ENDINGS and path.is_file()),
        key=lambda path: path.name,
    )
    files = [path for path in files if not path.name.startswith(".")]
    if not files:
        raise AudioError(
            Problem(
                "the folder contains no audio files",
                file=shown_path(folder),
                allowed=", ".join(sorted(ENDINGS)),
                code=Code.NO_AUDIO_FILES,
            )
        )
    return files


def _part(path: Path, n_channels: int, channel: int = 0) -> FilePart:
    return FilePart(str(path), "", n_channels, None if n_channels == 1 else channel, 0.0, False, 0.0)


def of_folder(folder: Path, limits: Limits | None = None) -> Material:
    """The audio files of a folder; two mono files that are left and right of the same source become one stem."""
    headers = {path: read_header(path, limits) for path in audio_files(folder)}
    roles = {path.stem: role_of(path.stem) for path in headers}
    by_stem = {path.stem: path for path in headers}
    doubled = {path for path, header in headers.items() if header.n_channels == 2 and equal_channels(path)}
    joined: dict[str, tuple[str, str]] = {}
    for left, right in pairs(roles):
        a, b = headers[by_stem[left]], headers[by_stem[right]]
        mono = [by_stem[one] in doubled or headers[by_stem[one]].n_channels == 1 for one in (left, right)]
        if all(mono) and a.rate_hz == b.rate_hz and a.n_channels == b.n_channels:
            joined[left] = (left, right)
            joined[right] = (left, right)
    channels: list[Channel] = []
    names: set[str] = {"kit"}  # a draft's bus
    done: set[str] = set()
    for path, header in headers.items():
        if path.stem in done:
            continue
        if header.n_channels > 2:
            raise AudioError(
                Problem(
                    "a file in a folder without a recipe must have 1 or 2 channels",
                    file=shown_path(path),
                    given=f"{header.n_channels} channels",
                    hint="write a recipe that selects its channels",
                    code=Code.UNUSABLE_CHANNELS,
                )
            )
        pair = joined.get(path.stem)
        role = roles[path.stem]
        if pair is not None:
            name = stem_name(role.base, names)
            parts = tuple(_part(by_stem[one], headers[by_stem[one]].n_channels) for one in pair)
            done.update(pair)
        else:
            name = stem_name(path.stem, names)
            n = 1 if path in doubled else header.n_channels
            parts = tuple(_part(path, header.n_channels, channel) for channel in range(n))
        names.add(name)
        stem = StemInput(parts, header.rate_hz, 0.0, 0.0, None, len(parts))
        both = path in doubled
        channels += [replace(one, doubled=both) for one in _split(name, stem, role, None, None)]
    rates = Counter(channel.input.file_rate_hz for channel in channels)
    rate = max(rates, key=lambda one: (rates[one], one))
    return Material(tuple(channels), rate, folder)
