"""Audio files: names, containers, headers that lie, files cut off."""
