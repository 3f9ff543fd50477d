"""Declaration of a step: a strict, frozen model, from which validation, help and schema are generated."""

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
    """Keys of every step, besides those of its processor."""

    do: str = Field(description="the processor")
    name: str | None = Field(None, min_length=1, max_length=64, description="names the step, unique in its chain")
    note: str | None = Field(None, description="free text")
    bypass: bool = Field(False, description="leave the step out")
    mix_pct: float = Field(
        100.0, ge=0, le=100, description="share of wet in the output; the rest is the step's dry input, aligned in time"
    )

    example: ClassVar[dict[str, object]] = {}
    """Parameters for a typical use; the reference shows them and the contract suite runs them."""
    unity: ClassVar[dict[str, object] | None] = None
    """Parameters with which the step does not change its input, if there are any."""
    linear: ClassVar[bool] = False
    needs_stereo: ClassVar[bool] = False
    shuts: ClassVar[bool] = False
    """Whether it closes on quiet sounds: the steps after it are measured with it open."""
    acts: ClassVar[bool] = False
    """Whether its job is to change the level depending on its side chain: one that never does is reported."""
    wet_alone: ClassVar[bool] = False
    """Whether its output is the wet signal alone: the render reports its level relative to the dry one."""
    reads_file: ClassVar[bool] = False
    """Whether the step's `file` is an audio file: the plan finds it, and its content is part of the print's hash."""
    source: ClassVar[str] = ""
    """Publication of the method."""
    ns_a_frame: ClassVar[float] = 25.0
    """Predicted processor time per frame and channel in ns, at the step's internal rate."""
    picture: ClassVar[Literal["", "response", "curve"]] = ""
    """How a page draws it, besides its readings: response over frequency, or output level over input level."""

    def start(self, stream: Stream) -> Runner:
        """Runner for this stream. Kernels are imported here, not at the top of a processor's file."""
        raise NotImplementedError

    def channels_out(self, n_channels: int) -> int:
        """Number of output channels for `n_channels` input channels."""
        return n_channels

    def listens_to(self) -> tuple[Key, ...]:
        """Keys that the step, or any step inside it, listens to; empty if it is bypassed."""
        return ()

    def inner_chains(self) -> Iterable[tuple[str, list[Step]]]:
        """Chains of a composite step, each with its key path inside the step."""
        return ()

    def oversampled(self) -> int:
        """Oversampling factor."""
        return 1

    def held_s(self, stream: Stream) -> float:
        """Predicted memory, in seconds of one channel in float64 at the stream's rate."""
        return 1.0

    def start_s(self, stream: Stream) -> float:
        """Predicted processor time before the first frame, in seconds."""
        return 0.002

    def changes_nothing(self) -> bool:
        """Whether its parameters leave the input unchanged: `unity` and otherwise defaults, or a mix of 0 %."""
        if self.mix_pct == 0.0 or self.unity is None:
            return self.mix_pct == 0.0
        plain = type(self).model_validate({"do": self.do, **self.unity})
        numbers = [key for key in type(self).model_fields if key not in COMMON and "threshold" not in key]
        return all(getattr(self, key) == getattr(plain, key) for key in numbers)

    def in_words(self) -> str:
        """Its parameters in words, for pages that teach; a phrase without a subject."""
        return numbers_in_words(self, COMMON)

    def parts(self) -> list[Step]:
        """Copies of the step with one of its bands each; together they make its response."""
        return []

    def misfits(self, stream: Stream) -> list[Misfit]:
        """Values that do not fit this stream; `check` shows them with their places in the recipe."""
        if self.needs_stereo and stream.n_channels != 2:
            return [
                Misfit(
                    "do",
                    f"{self.do} needs a stereo signal, but the signal here is mono",
                    hint="move it to a bus, or put a step that makes stereo before it",
                    code=Code.NEEDS_STEREO,
                )
            ]
        return []


COMMON = frozenset(Step.model_fields)
"""Keys of every step."""
