"""What is surveyed: the channels of a recipe's stems, or of a bare folder's files, each as a mono stem."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

from chainrun.audiofile import read_header
from chainrun.errors import AudioError, Problem, UsageError, shown_path
from chainrun.limits import Limits
from chainrun.plan import FilePart, StemInput, build_plan
from chainrun.recipe import Opened
from chainrun.survey.roles import Role, pairs, role_of, stem_name

ENDINGS = {".wav", ".flac", ".aif", ".aiff", ".ogg", ".mp3", ".w64", ".rf64", ".caf"}


@dataclass(frozen=True)
class Channel:
    """One microphone: a mono stem, or one side of a stereo one."""

    name: str
    stem: str
    side: int | None
    role: Role
    group: str | None
    distance_m: float | None
    input: StemInput
    """As the recipe has it: with trim, polarity and shift."""
    shift_in_ms: bool = False
    """Whether the recipe gives its shift in milliseconds."""

    @property
    def path(self) -> Path:
        """Its file."""
        return Path(self.input.parts[0].path)

    @property
    def file_channel(self) -> int:
        """Its channel in the file, from 0."""
        return self.input.parts[0].channel or 0


@dataclass(frozen=True)
class Material:
    """All channels, at one working rate."""

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
    """The stems of a recipe, with what it does to them before their chains. Raises AudioError, RecipeError."""
    plan = build_plan(opened)
    channels: list[Channel] = []
    for name, stem in opened.recipe.stems.items():
        node = plan.node(name)
        assert node.stem is not None
        role = role_of(name)
        if role.instrument is None:
            role = role_of(Path(node.stem.parts[0].path).stem)
        made = _split(name, node.stem, role, stem.group, stem.source.distance_m)
        channels += [replace(one, shift_in_ms=stem.shift_ms is not None) for one in made]
    return Material(tuple(channels), plan.rate_hz, opened.path.parent)


def audio_files(folder: Path) -> list[Path]:
    """The audio files of a folder, in the order of their names. Raises UsageError where there are none."""
    if not folder.is_dir():
        raise UsageError(Problem("there is no such folder", given=shown_path(folder)))
    files = sorted(
        (path for path in folder.iterdir() if path.suffix.lower() in ENDINGS and path.is_file()),
        key=lambda path: path.name,
    )
    files = [path for path in files if not path.name.startswith(".")]
    if not files:
        raise AudioError(
            Problem("the folder holds no audio files", file=shown_path(folder), allowed=", ".join(sorted(ENDINGS)))
        )
    return files


def of_folder(folder: Path, limits: Limits | None = None) -> Material:
    """The audio files of a folder; two mono files that are left and right of one thing become one stem."""
    headers = {path: read_header(path, limits) for path in audio_files(folder)}
    roles = {path.stem: role_of(path.stem) for path in headers}
    by_stem = {path.stem: path for path in headers}
    joined: dict[str, tuple[str, str]] = {}
    for left, right in pairs(roles):
        a, b = headers[by_stem[left]], headers[by_stem[right]]
        if a.n_channels == b.n_channels == 1 and a.rate_hz == b.rate_hz:
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
                    "a file of a bare folder has 1 or 2 channels",
                    file=shown_path(path),
                    given=f"{header.n_channels} channels",
                    hint="write a recipe that picks its channels",
                )
            )
        pair = joined.get(path.stem)
        role = roles[path.stem]
        if pair is not None:
            name = stem_name(role.base, names)
            parts = tuple(FilePart(str(by_stem[one]), "", 1, None, 0.0, False, 0.0) for one in pair)
            done.update(pair)
        else:
            name = stem_name(path.stem, names)
            mono = header.n_channels == 1
            parts = tuple(
                FilePart(str(path), "", header.n_channels, None if mono else channel, 0.0, False, 0.0)
                for channel in range(header.n_channels)
            )
        names.add(name)
        stem = StemInput(parts, header.rate_hz, 0.0, 0.0, None, len(parts))
        channels += _split(name, stem, role, None, None)
    rates = Counter(channel.input.file_rate_hz for channel in channels)
    rate = max(rates, key=lambda one: (rates[one], one))
    return Material(tuple(channels), rate, folder)
