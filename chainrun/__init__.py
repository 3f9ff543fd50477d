"""chainrun renders multi-microphone recordings to a measured stereo mix from text recipes.

The engine's version stands here; a print's hash holds it, so raise it whenever a sound may change.
"""

__version__ = "0.1.0"
