"""Makes plans from recipes: frozen nodes in order, deliveries, hashes, notes and problems."""

from chainrun.plan.build import build_plan
from chainrun.plan.deliveries import DeliverySpec
from chainrun.plan.nodes import FilePart, Input, KeyInput, Node, StemInput
from chainrun.plan.plan import Graph, Origin, Plan, Strip

__all__ = [
    "DeliverySpec",
    "FilePart",
    "Graph",
    "Input",
    "KeyInput",
    "Node",
    "Origin",
    "Plan",
    "StemInput",
    "Strip",
    "build_plan",
]
