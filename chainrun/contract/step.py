"""The declaration of a step: a strict, frozen model from which validation, help and schema come."""

from __future__ import annotations

from collections.abc import Iterable
from typing import ClassVar, Literal

from pydantic import Field

from chainrun.contract.key import Key
from chainrun.contract.misfit import Misfit
from chainrun.contract.model import StrictModel
from chainrun.contract.runner import Runner, Stream
from chainrun.contract.words import numbers_in_words
from chainrun.problem_codes import Code


class Step(StrictModel):
    """The keys of every step, beside those of its processor."""

    do: str = Field(description="the processor")
    name: str | None = Field(None, min_length=1, max_length=64, description="names the step, unique in its chain")
    note: str | None = Field(None, description="free text")
    bypass: bool = Field(False, description="leave the step out")
    mix_pct: float = Field(
        100.0, ge=0, le=100, description="share of wet in the output; the rest is dry: the step's input, in time"
    )

    example: ClassVar[dict[str, object]] = {}
    """Numbers for a typical use; the reference shows them and the contract suite runs them."""
    unity: ClassVar[dict[str, object] | None] = None
    """Numbers with which the step leaves its input alone, if there are such."""
    linear: ClassVar[bool] = False
    needs_stereo: ClassVar[bool] = False
    shuts: ClassVar[bool] = False
    """Whether it closes on soft sounds: the steps after it are measured with it open."""
    acts: ClassVar[bool] = False
    """Whether its job is to change the level by what it hears: one that never does is reported."""
    wet_alone: ClassVar[bool] = False
    """Whether the wet signal alone comes out: the render reports its level against the dry one."""
    reads_file: ClassVar[bool] = False
    """Whether the step's `file` names an audio file: the plan finds it, and its content belongs to the print's hash."""
    source: ClassVar[str] = ""
    """Where the method is published."""
    ns_a_frame: ClassVar[float] = 25.0
    """Predicted processor time of a frame and channel, at the rate that the step works at inside."""
    picture: ClassVar[Literal["", "response", "curve"]] = ""
    """How a page draws it, beside its readings: over frequency, or level against level."""

    def start(self, stream: Stream) -> Runner:
        """A runner for this stream. Kernels are imported here, not at the head of a processor's file."""
        raise NotImplementedError

    def channels_out(self, n_channels: int) -> int:
        """Channels that come out where `n_channels` go in."""
        return n_channels

    def listens_to(self) -> tuple[Key, ...]:
        """The keys that the step, or any step inside it, listens to. None where it is bypassed."""
        return ()

    def inner_chains(self) -> Iterable[tuple[str, list[Step]]]:
        """The chains that a composite step holds, each with its key path inside the step."""
        return ()

    def oversampled(self) -> int:
        """Times the rate that the step works at inside."""
        return 1

    def held_s(self, stream: Stream) -> float:
        """Predicted memory: so many seconds of one channel at the stream's rate, as float64."""
        return 1.0

    def start_s(self, stream: Stream) -> float:
        """Predicted processor time before the first frame."""
        return 0.002

    def changes_nothing(self) -> bool:
        """Whether its numbers leave the input as it is: `unity` and otherwise defaults, or a mix of 0 %."""
        if self.mix_pct == 0.0 or self.unity is None:
            return self.mix_pct == 0.0
        plain = type(self).model_validate({"do": self.do, **self.unity})
        numbers = [key for key in type(self).model_fields if key not in COMMON and "threshold" not in key]
        return all(getattr(self, key) == getattr(plain, key) for key in numbers)

    def in_words(self) -> str:
        """What its numbers say, as a teacher would put it; a clause without a subject."""
        return numbers_in_words(self, COMMON)

    def parts(self) -> list[Step]:
        """The same step with one of its bands alone, for each: what its response is made of."""
        return []

    def misfits(self, stream: Stream) -> list[Misfit]:
        """What does not go with this stream; `check` shows it with its place in the recipe."""
        if self.needs_stereo and stream.n_channels != 2:
            return [
                Misfit(
                    "do",
                    f"{self.do} works on a stereo signal, and gets a mono one here",
                    hint="move it to a bus, or put a step that makes stereo before it",
                    code=Code.NEEDS_STEREO,
                )
            ]
        return []


COMMON = frozenset(Step.model_fields)
"""Keys of every step."""
