"""The tables that can be explained: those of a recipe, and those of the files around it, each by one word."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, get_args, get_origin

from pydantic import BaseModel

from chainrun.batch.jobs import JobEntry, JobSettings, JobsFile, OneGain
from chainrun.contract import Key, Step, processors
from chainrun.contract.parameters import Parameter, parameters
from chainrun.cull.plan import CullFile, Decision
from chainrun.recipe.model import (
    ActiveStretch,
    Bus,
    Delivery,
    Expect,
    Expectation,
    Main,
    Microphone,
    PresetFile,
    PresetUse,
    Recipe,
    RidePoint,
    Send,
    Stem,
    Tags,
    Tolerances,
)
from chainrun.recipe.overlay import OverlayFile
from chainrun.recipe.written import step_lines, value_text

MAX_EXAMPLE = 80
"""Characters of an example on one line; longer ones are tables."""
IN_RECIPES: dict[str, type[BaseModel]] = {
    "recipe": Recipe,
    "stems": Stem,
    "microphone": Microphone,
    "buses": Bus,
    "main": Main,
    "sends": Send,
    "ride": RidePoint,
    "active": ActiveStretch,
    "step": Step,
    "key": Key,
    "preset-use": PresetUse,
    "deliver": Delivery,
    "tags": Tags,
    "expect": Expect,
    "expectation": Expectation,
    "tolerance": Tolerances,
}
"""Tables of a recipe."""
IN_FILES: dict[str, type[BaseModel]] = {
    "preset-file": PresetFile,
    "overlay": OverlayFile,
    "jobs": JobsFile,
    "defaults": JobSettings,
    "job": JobEntry,
    "one_gain": OneGain,
    "cull-plan": CullFile,
    "decision": Decision,
}
"""Other files that people write, and the tables in them."""
FILE_OF = {
    "preset-file": "NAME.preset.toml",
    "overlay": "NAME.overlay.toml",
    "jobs": "NAME.jobs.toml",
    "defaults": "[defaults] of a jobs file",
    "job": "[[job]] of a jobs file",
    "one_gain": "one_gain of a jobs file",
    "cull-plan": "YEAR.cull.toml",
    "decision": "[[preset]] of a cull plan",
    "stems": "[stems.NAME]",
    "microphone": "microphone of a stem",
    "buses": "[buses.NAME]",
    "main": "[main]",
    "sends": "sends of a stem or bus",
    "ride": "an item of ride, in a stem or bus",
    "active": "an item of active, in a stem or bus",
    "step": "[[stems.NAME.chain]]",
    "key": "key of a step",
    "preset-use": "[[stems.NAME.chain]], in place of a step",
    "deliver": "[[deliver]]",
    "tags": "tags of a delivery",
    "expect": "[expect]",
    "expectation": "a value in [expect]",
    "tolerance": "[expect.tolerance]",
    "recipe": "NAME.recipe.toml",
}
"""Where each table is written."""
TABLES: dict[str, type[BaseModel]] = {**IN_RECIPES, **IN_FILES}
BASELINE = (
    "NAME.baseline.toml: what a recipe's render measured when it was accepted. The program writes it "
    "(chainrun verify RECIPE --accept) and reads it; nobody edits it. It holds the recipe's hash, the presets and "
    "settings, and for each delivery, recording and node its levels, spectrum, loudness over time and a sketch of the "
    "sound. Keep it in version control beside the recipe."
)
"""A baseline in words: it is written by the program alone, and has no keys for people."""


@dataclass(frozen=True)
class InnerTable:
    """A table that a key holds, such as one of the kinds of bands."""

    key: str
    """The key that holds it."""
    kinds: tuple[str, ...]
    """The values of `kind` that it has; empty for a table without kinds."""
    model: type[BaseModel]
    keys: tuple[Parameter, ...]

    @property
    def title(self) -> str:
        """`bands, kind = "bell" or "notch"`."""
        words = [f'"{kind}"' for kind in self.kinds]
        named = " or ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
        return f"{self.key}, kind = {named}" if named else self.key


def first_line(model: type[BaseModel]) -> str:
    """The first sentence of a declaration's help."""
    return (model.__doc__ or "").strip().split("\n")[0]


def paragraphs(model: type[BaseModel]) -> list[str]:
    """A declaration's help, each paragraph on one line."""
    found = textwrap.dedent((model.__doc__ or "").strip()).split("\n\n")
    return [" ".join(one.split()) for one in found]


def own_keys(model: type[BaseModel]) -> list[Parameter]:
    """The keys of a table; of a processor those that it does not share with every step."""
    common = set(Step.model_fields) if issubclass(model, Step) and model is not Step else set()
    return [one for one in parameters(model) if one.key not in common]


def common_keys() -> list[Parameter]:
    """The keys of every step."""
    return [one for one in parameters(Step) if one.key != "do"]


def inner_tables(found: list[Parameter]) -> list[InnerTable]:
    """The tables inside these keys, other than steps and those that have a word of their own."""
    tables: list[InnerTable] = []
    for one in found:
        for model in one.models:
            if issubclass(model, Step) or model in TABLES.values() or any(other.model is model for other in tables):
                continue
            kinds = _kinds(model)
            keys = [key for key in parameters(model) if key.key != "kind" or len(kinds) > 1]
            keys.sort(key=lambda key: key.key != "kind")
            tables.append(InnerTable(one.key, kinds, model, tuple(keys)))
    return tables


def _kinds(model: type[BaseModel]) -> tuple[str, ...]:
    field = model.model_fields.get("kind")
    if field is None or get_origin(field.annotation) is not Literal:
        return ()
    return tuple(str(one) for one in get_args(field.annotation))


def see_also(one: Parameter) -> list[str]:
    """The words under which the tables in a key are explained."""
    return [word for word, model in TABLES.items() if model in one.models]


def any_other(model: type[BaseModel]) -> str | None:
    """The word for what any further key of a table holds, if it takes such keys."""
    other = getattr(model, "any_other", None)
    return next((word for word, known in TABLES.items() if known is other), None) if other is not None else None


def example_of(do: str) -> list[str]:
    """A processor's example as lines of TOML: one line if it is short, else a table; empty if there is none."""
    numbers = processors()[do].example
    if not numbers:
        return []
    step: Mapping[str, object] = {"do": do, **numbers}
    line = value_text(step)
    return [line] if len(line) <= MAX_EXAMPLE else step_lines(step, "stems.kick.chain", MAX_EXAMPLE - 2)
