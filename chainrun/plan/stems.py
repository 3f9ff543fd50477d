"""Whether a stem and its files fit each other."""

from __future__ import annotations

from chainrun.audiofile import Header
from chainrun.errors import Problem
from chainrun.problem_codes import Code
from chainrun.recipe import Stem


def channels_of(stem: Stem, headers: list[Header]) -> int:
    """How many channels a stem has: a pair of files makes two, a picked channel one."""
    if len(headers) == 2:
        return 2
    return 1 if stem.channel is not None else headers[0].n_channels


def unfit_files(stem: Stem, headers: list[Header]) -> tuple[list[tuple[str, Problem]], list[str]]:
    """What of a stem does not fit its files, each problem with the key that it is about; and notes."""
    found: list[tuple[str, Problem]] = []
    notes: list[str] = []

    def tell(key: str, problem: Problem) -> None:
        found.append((key, problem))

    if len(headers) == 2:
        least = min(header.n_channels for header in headers)
        if stem.channel is not None and stem.channel > least:
            allowed = f"1 to {least}"
            given, code = str(stem.channel), Code.NO_SUCH_CHANNEL
            tell("channel", Problem("a file has no such channel", given=given, allowed=allowed, code=code))
        if stem.channel is None and any(header.n_channels != 1 for header in headers):
            counts = " and ".join(str(header.n_channels) for header in headers)
            hint = "channel = 1 takes the first channel of both"
            given, code = f"{counts} channels", Code.UNUSABLE_CHANNELS
            tell("file", Problem("a pair is two mono files", given=given, hint=hint, code=code))
        if headers[0].rate_hz != headers[1].rate_hz:
            rates = " and ".join(f"{header.rate_hz} Hz" for header in headers)
            tell("file", Problem("the two files of a pair have different rates", given=rates, code=Code.RATES_DIFFER))
    else:
        count = headers[0].n_channels
        if stem.channel is not None and stem.channel > count:
            given, allowed, code = str(stem.channel), f"1 to {count}", Code.NO_SUCH_CHANNEL
            tell("channel", Problem("the file has no such channel", given=given, allowed=allowed, code=code))
        if stem.channel is None and count > 2:
            hint = "pick one with channel = 1"
            given, code = f"{count} channels", Code.UNUSABLE_CHANNELS
            tell("file", Problem("a stem is mono or stereo", given=given, hint=hint, code=code))
    lengths = [header.n_frames / header.rate_hz for header in headers]
    length = min(lengths)
    if max(lengths) > length:
        notes.append(f"the files of the pair differ in length: {lengths[0]:.3f} and {lengths[1]:.3f} s")
    if stem.to_s is not None and stem.to_s > max(lengths):
        notes.append(f"to_s = {stem.to_s:g} lies after the end of the file, at {max(lengths):.3f} s")
    used = (round(min(stem.to_s or length, length) * headers[0].rate_hz)) - round(stem.from_s * headers[0].rate_hz)
    if stem.from_s < length and used <= 0:
        tell("to_s", Problem("not one frame lies between from_s and to_s", code=Code.NOTHING_LEFT))
    if stem.from_s >= length:
        tell(
            "from_s",
            Problem(
                "the file ends before",
                given=f"{stem.from_s:g}",
                allowed=f"less than {length:.3f} s",
                code=Code.NOTHING_LEFT,
            ),
        )
    for key in ("trim_db", "invert", "shift_samples", "shift_ms"):
        if isinstance(getattr(stem, key), list) and channels_of(stem, headers) != 2:
            tell(key, Problem("[left, right] needs a stereo stem or a pair; this one is mono", code=Code.NEEDS_STEREO))
    return found, notes
