"""Every command that writes, with arguments for the session of `place`, and the contents of a folder."""

from __future__ import annotations

COMMANDS = {
    "render": ["render", "song.recipe.toml", "-o", "out", "--no-store", "--workers", "1"],
    "render with a store": ["render", "song.recipe.toml", "-o", "out", "--store", "kept", "--workers", "1"],
    "render with a log": ["render", "song.recipe.toml", "-o", "out", "--no-store", "--workers", "1", "--log", "out/log.jsonl"],
    "render with a page": ["render", "song.recipe.toml", "-o", "out", "--store", "kept", "--workers", "1", "--report", "page"],
    "verify": ["verify", "song.recipe.toml", "--accept", "--with-audio", "--no-store", "--workers", "1"],
    "compare": ["compare", "kick.wav", "pair.wav", "--report", "page.html"],
    "sweep": ["compare", "song.recipe.toml", "--sweep", "buses.kit.level_db=-1,-2", "-o", "out", "--no-store", "--workers", "1"],
    "survey": ["survey", ".", "--write", "out/mend.overlay.toml", "--workers", "1"],
    "draft": ["draft", "takes", "--write", "new/draft.recipe.toml"],
    "resolve": ["resolve", "song.recipe.toml", "--write", "out/flat.recipe.toml"],
    "pack": ["pack", "song.recipe.toml", "--write", "out/song.zip", "--licence", "LICENCE.txt", "--no-store"],
    "walkthrough": ["walkthrough", "song.recipe.toml", "-o", "lesson", "--stems", "kick", "--no-store"],
    "batch": ["batch", "night.jobs.toml", "--store", "kept", "--workers", "1"],
    "cull plan": ["cull", "plan", "--recipes", "*.recipe.toml", "--presets", "presets", "--write", "2026.cull.toml"],
    "cull try": ["cull", "try", "old.cull.toml", "-o", "heard", "--no-store", "--workers", "1"],
    "schema": ["schema", "-o", "out"],
}  # fmt: skip  # fmt: skip


def files_below(folder):
    """Every file of a folder and its content."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}
