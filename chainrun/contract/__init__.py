"""Contract of processors: declaration (Step), running step (Runner), signal properties (Stream), registry."""

from chainrun.contract.branch import Branch
from chainrun.contract.key import Key
from chainrun.contract.keyed import Keyed, Thresholded, ThresholdFields
from chainrun.contract.misfit import Misfit, too_high
from chainrun.contract.model import StrictModel, Version
from chainrun.contract.readings import Reading, WetLevel
from chainrun.contract.registry import any_step, finish, key_owner, processor, processors
from chainrun.contract.runner import Keys, Runner, Stream
from chainrun.contract.step import Step

__all__ = [
    "Branch",
    "Key",
    "Keyed",
    "Keys",
    "Misfit",
    "Reading",
    "Runner",
    "Step",
    "Stream",
    "StrictModel",
    "ThresholdFields",
    "Thresholded",
    "Version",
    "WetLevel",
    "any_step",
    "finish",
    "key_owner",
    "processor",
    "processors",
    "too_high",
]
