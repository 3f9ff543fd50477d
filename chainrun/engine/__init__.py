"""Renders the nodes of a plan to prints. Reads no recipe and knows no option of a command."""

from chainrun.engine.log import EventLog
from chainrun.engine.result import NodeResult

__all__ = ["EventLog", "NodeResult"]
