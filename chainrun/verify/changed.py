"""Which presets of the library are no longer what a baseline was accepted with. Light: `check` asks it, too."""

from __future__ import annotations

from collections.abc import Iterable
from glob import escape
from pathlib import Path

from chainrun import toml_file
from chainrun.plan.identity import chain_hash
from chainrun.recipe import Opened
from chainrun.recipe.load import recipe_name


def presets(opened: Opened) -> dict[str, str]:
    """The chain hash of every preset that the recipe uses, as its library has it today: not its status or prose."""
    found = {}
    for use in opened.uses:
        table = toml_file.read(use.file, opened.limits)
        found[use.name] = chain_hash(table.get("chain", []))
    return dict(sorted(found.items()))


def baseline_path(opened: Opened) -> Path:
    """Where a recipe's baseline lies; a variant has its own."""
    variant = f"+{opened.variant}" if opened.variant else ""
    return opened.path.parent / f"{opened.name}{variant}.baseline.toml"


def baseline_of(path: Path, variant: str | None) -> Path:
    """The same by the recipe's file, whether it can be opened or not."""
    return path.parent / f"{recipe_name(path)}{f'+{variant}' if variant else ''}.baseline.toml"


def orphans(path: Path, variants: Iterable[str]) -> list[str]:
    """Variants that have a baseline beside the recipe, and are not in it (any more)."""
    head, tail = f"{recipe_name(path)}+", ".baseline.toml"
    found = (one.name for one in sorted(path.parent.glob(f"{escape(head)}*{tail}")))
    names = [name.removeprefix(head).removesuffix(tail) for name in found]
    return [name for name in names if name not in set(variants) and "+" not in name]


def changed_presets(opened: Opened) -> list[str]:
    """A sentence for each preset that has another chain than when the baseline was accepted."""
    path = baseline_path(opened)
    if not path.is_file():
        return []
    try:
        was = toml_file.read(path).get("presets", {})
    except (OSError, ValueError):
        return []  # verify tells what is wrong with it
    return [
        f"the library's preset {name} is no longer what {path.name} was accepted with"
        for name, chain in presets(opened).items()
        if isinstance(was, dict) and was.get(name, chain) != chain
    ]
