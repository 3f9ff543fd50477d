"""From a recipe to nodes in their order."""
