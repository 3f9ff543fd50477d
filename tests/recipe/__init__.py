"""Recipes as they are written: places, presets, overlays, roots, mistakes."""
