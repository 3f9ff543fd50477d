"""Runs declared steps: chains, parallel chains, side chains, and the common part of dynamics steps."""

from chainrun.runtime.chain import ChainRunner
from chainrun.runtime.dynamics import DynamicsRunner
from chainrun.runtime.reduction import ReductionRecorder
from chainrun.runtime.sidechain import Sidechain

__all__ = ["ChainRunner", "DynamicsRunner", "ReductionRecorder", "Sidechain"]
