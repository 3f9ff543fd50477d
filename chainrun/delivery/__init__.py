"""Delivers files from prints: gain, limiting, formats, output paths, disk space; and runs whole renders."""

from chainrun.delivery.rendering import RenderOptions, render
from chainrun.delivery.result import DeliveryResult, RenderResult

__all__ = ["DeliveryResult", "RenderOptions", "RenderResult", "render"]
