"""Renders a plan: nodes to prints, prints to sums, sums to delivered and measured files. No TOML, no typer."""

from chainrun.engine.log import EventLog
from chainrun.engine.result import NodeResult, RenderResult
from chainrun.engine.session import RenderOptions, render

__all__ = ["EventLog", "NodeResult", "RenderOptions", "RenderResult", "render"]
