"""From prints to delivered files: gain, limiting, formats; where files may land; disk space; a whole render."""

from chainrun.delivery.rendering import RenderOptions, render
from chainrun.delivery.result import DeliveryResult, RenderResult

__all__ = ["DeliveryResult", "RenderOptions", "RenderResult", "render"]
