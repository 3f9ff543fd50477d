"""Renders the nodes of a plan to prints. Knows nothing of recipes or command-line options."""

from chainrun.engine.log import EventLog
from chainrun.engine.result import NodeResult

__all__ = ["EventLog", "NodeResult"]
