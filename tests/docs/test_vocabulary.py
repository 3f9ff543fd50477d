"""Holds what the program says to chainrun/docs/vocabulary.md: words that are out, first lines, units in keys."""

import ast
import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import BaseModel

from chainrun.batch.jobs import JobsFile
from chainrun.contract import processors
from chainrun.contract.parameters import models_in
from chainrun.cull.plan import CullFile
from chainrun.recipe.model import PresetFile, PresetUse, Recipe
from chainrun.units import unit_of
from tests.signals import ROOT

OUT = {
    r"behind": "after, following",
    r"tells?|told|telling": "reports, says, shows",
    r"anew": "again",
    r"grips?": "attack",
    r"lets? go": "release",
    r"softer": "quieter",
    r"nobody hears": "inaudible",
    r"most that": "maximum",
    r"as many as pay": "automatic",
    r"what became of": "result",
    r"so far (?:below|above|under|before|the)": "a number with its unit",
    r"is none that|are none that": "cannot",
    r"by how far": "by how much",
}
"""Words that are out, each with the word of the vocabulary."""
PAPERS = ["README.md", "DEVELOPERS.md", "recipes/REFERENCE.md", "chainrun/docs/guide.md", ".github/SECURITY.md"]
MAY_SAY = {"voice/softer-s": "a preset's name"}
"""Names that hold such a word."""
BARE = {
    "ratio", "q", "seed", "harmonics", "oversample", "bits", "grammar", "channel", "year", "since", "retired_in",
    "is", "within", "min", "max", "correlation",
}  # fmt: skip
"""Numbers without a unit: ratios, counts, versions, years; an expectation has the unit of what it is about."""


def _texts(path: Path) -> Iterator[tuple[int, str]]:
    """Strings, docstrings and comments of a module, with their lines."""
    source = path.read_text()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.lineno, node.value
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type == tokenize.COMMENT:
            yield token.start[0], token.string


def _found(text: str) -> list[str]:
    for name in MAY_SAY:
        text = text.replace(name, "")
    return [match[0] for word in OUT for match in re.finditer(rf"\b(?:{word})\b", text, re.IGNORECASE)]


def _modules() -> list[Path]:
    return sorted((ROOT / "chainrun").rglob("*.py"))


def test_words_that_are_out_stay_out():
    found = [
        f"{path.relative_to(ROOT)}:{line}: {word}"
        for path in _modules()
        for line, text in _texts(path)
        for word in _found(text)
    ]
    assert not found, f"{len(found)}:\n" + "\n".join(found[:60])


@pytest.mark.parametrize("name", PAPERS)
def test_papers_keep_to_the_vocabulary(name):
    lines = (ROOT / name).read_text().splitlines()
    found = [f"{name}:{i}: {word}" for i, line in enumerate(lines, 1) for word in _found(line)]
    assert not found, "\n".join(found)


def test_recipes_and_presets_keep_to_the_vocabulary():
    paths = [*(ROOT / "recipes").glob("*.recipe.toml"), *(ROOT / "recipes" / "presets").rglob("*.toml")]
    found = [f"{path.name}: {word}" for path in paths for word in _found(path.read_text())]
    assert not found, "\n".join(found)


def _docstrings(path: Path) -> Iterator[tuple[str, str]]:
    tree = ast.parse(path.read_text())
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            said = ast.get_docstring(node)
            if said is not None:
                yield getattr(node, "name", path.name), said


def test_a_docstring_begins_with_what_a_thing_is_or_does():
    """And not with "What": that line needs the one above it."""
    found = [
        f"{path.relative_to(ROOT)} {name}: {said.splitlines()[0]}"
        for path in _modules()
        for name, said in _docstrings(path)
        if re.match(r"(What|How|Where|Whether it|The same|Likewise|And)\b(?!.*\?)", said)
        and not re.match(r"Whether\b", said)
    ]
    assert not found, f"{len(found)}:\n" + "\n".join(found[:60])


def _numbers(model: type[BaseModel], seen: set[type[BaseModel]]) -> Iterator[tuple[str, str]]:
    """Keys of a table and of all tables inside it that take numbers."""
    if model in seen:
        return
    seen.add(model)
    for name, field in model.model_fields.items():
        key = field.alias or name
        inner = list(models_in(field.annotation))
        for one in inner:
            yield from _numbers(one, seen)
        if not inner and re.search(r"\b(int|float)\b", str(field.annotation)):
            yield model.__name__, key


def test_every_number_has_its_unit_in_its_key():
    seen: set[type[BaseModel]] = set()
    roots = [Recipe, PresetFile, PresetUse, JobsFile, CullFile, *processors().values()]
    numbers = [one for root in roots for one in _numbers(root, seen)]
    assert len(numbers) > 150
    bare = sorted({f"{model}.{key}" for model, key in numbers if not unit_of(key) and key not in BARE and key != "set"})
    assert not bare, bare


def test_a_threshold_is_an_absolute_level_or_says_against_what():
    seen: set[type[BaseModel]] = set()
    for model, key in (one for root in processors().values() for one in _numbers(root, seen)):
        if "threshold" in key:
            known = key in ("threshold_below_hits_db", "max_over_threshold_db")
            assert known or key.endswith("_dbfs"), (model, key)
        assert not re.match(r"(most|longest|highest|lowest)_", key), f"{model}.{key}: a bound is max_ or min_"


def test_the_vocabulary_names_options_as_the_commands_have_them():
    text = (ROOT / "chainrun" / "docs" / "vocabulary.md").read_text()
    for option in re.findall(r"`(--[a-z-]+)", text.partition("## Options")[2]):
        assert any(f'"{option}"' in path.read_text() for path in (ROOT / "chainrun" / "cli").glob("*.py")), option
