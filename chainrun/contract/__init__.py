"""What a processor is: its declaration (Step), how it runs (Runner), what it may know (Stream), the registry.

The chain, which runs steps one after the other and owns all that is common to them, stands here too, because
composite steps hold chains of their own.
"""

from chainrun.contract.chain import ChainRunner
from chainrun.contract.dynamics import DynamicsRunner
from chainrun.contract.keyed import Keyed, Listener, Thresholded, ThresholdFields
from chainrun.contract.readings import Reading, ReductionRecorder
from chainrun.contract.registry import any_step, finish, key_owner, processor, processors
from chainrun.contract.runner import Keys, Runner, Stream
from chainrun.contract.step import Key, Misfit, Step, StrictModel, Version

__all__ = [
    "ChainRunner",
    "DynamicsRunner",
    "Key",
    "Keyed",
    "Keys",
    "Listener",
    "Misfit",
    "Reading",
    "ReductionRecorder",
    "Runner",
    "Step",
    "Stream",
    "StrictModel",
    "ThresholdFields",
    "Thresholded",
    "Version",
    "any_step",
    "finish",
    "key_owner",
    "processor",
    "processors",
]
