"""Renders a plan: nodes to prints, prints to sums, sums to delivered and measured files. No TOML, no typer."""

from chainrun.engine.render import RenderOptions, render
from chainrun.engine.result import NodeResult, RenderResult

__all__ = ["NodeResult", "RenderOptions", "RenderResult", "render"]
