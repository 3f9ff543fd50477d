"""How declared steps run: chains, parallel chains, side chains, and what all dynamics steps share."""

from chainrun.runtime.chain import ChainRunner
from chainrun.runtime.dynamics import DynamicsRunner
from chainrun.runtime.reduction import ReductionRecorder
from chainrun.runtime.sidechain import Sidechain

__all__ = ["ChainRunner", "DynamicsRunner", "ReductionRecorder", "Sidechain"]
