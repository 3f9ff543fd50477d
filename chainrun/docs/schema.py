"""The JSON Schema of recipes, for editors; written to recipes/chainrun.schema.json."""

from __future__ import annotations

import json
from typing import Any

from chainrun.recipe.model import PresetUse, Recipe

FILE_NAME = "chainrun.schema.json"


def recipe_schema() -> dict[str, object]:
    """The schema of a recipe; a chain may hold uses of presets as well as steps."""
    schema = Recipe.model_json_schema(by_alias=True)
    use = PresetUse.model_json_schema(by_alias=True)
    schema["$defs"]["PresetUse"] = use
    schema["title"] = "chainrun recipe"
    loosened = _loosen(schema)
    assert isinstance(loosened, dict)
    return loosened


def _loosen(node: Any) -> Any:
    """The schema with preset uses allowed in chains, and without keywords that Draft 4 does not have."""
    if isinstance(node, list):
        return [_loosen(inner) for inner in node]
    if not isinstance(node, dict):
        return node
    if "discriminator" in node and "oneOf" in node and "do" in node["discriminator"].get("propertyName", ""):
        steps = [_loosen(one) for one in node["oneOf"]]
        return {"anyOf": [*steps, {"$ref": "#/$defs/PresetUse"}]}
    return {key: _loosen(value) for key, value in node.items() if key not in ("discriminator", "default")}


def schema_text() -> str:
    """The schema as the text of its file."""
    return json.dumps(recipe_schema(), indent=1, sort_keys=True, ensure_ascii=False) + "\n"
