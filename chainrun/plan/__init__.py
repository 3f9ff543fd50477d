"""From a recipe to a plan: stems, buses and main as nodes in order, each with a hash of all that determines it."""

from chainrun.plan.build import Plan, build_plan
from chainrun.plan.nodes import FilePart, Input, KeyInput, Node, StemInput

__all__ = ["FilePart", "Input", "KeyInput", "Node", "Plan", "StemInput", "build_plan"]
