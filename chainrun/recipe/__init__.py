"""Recipes: read, located, laid over, unfolded, validated, resolved.

`open_recipe` is the way in; it tells all problems of all files at once.
"""

from chainrun.recipe.load import Opened, Overrides, open_recipe
from chainrun.recipe.model import Bus, Delivery, Main, Recipe, Send, Stem

__all__ = ["Bus", "Delivery", "Main", "Opened", "Overrides", "Recipe", "Send", "Stem", "open_recipe"]
