"""Opens recipes: reads files, lays overlays over them, unfolds presets, validates and resolves.

`open_recipe` is the entry point; it reports all problems of all files at once.
"""

from chainrun.recipe.load import Opened, Overrides, open_recipe
from chainrun.recipe.model import Bus, Delivery, Main, Recipe, Send, Stem

__all__ = ["Bus", "Delivery", "Main", "Opened", "Overrides", "Recipe", "Send", "Stem", "open_recipe"]
