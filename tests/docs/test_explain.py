"""`chainrun explain` and the reference: every processor, table, kind and key; words that are not known."""

from __future__ import annotations

import json
import re
import tomllib

import pytest

from chainrun.contract import Step, processors
from chainrun.contract.parameters import models_in, parameters
from chainrun.docs.explain import explain, nearest_words, words
from chainrun.docs.reference import reference_text
from chainrun.docs.tables import FILE_OF, IN_FILES, IN_RECIPES, MAX_EXAMPLE, TABLES, example_of

ALL = {**processors(), **TABLES}


def section(word):
    """What the reference says of a processor or a table."""
    text = reference_text()
    head = f"\n### {word}\n" if word in processors() else f"\n### {word} (table)\n"
    assert text.count(head) == 1
    return text.partition(head)[2].partition("\n### ")[0]


def inner(model):
    """Models inside a table that have no word of their own, at any depth."""
    for field in model.model_fields.values():
        for one in models_in(field.annotation):
            if not issubclass(one, Step) and one not in TABLES.values():
                yield one
                yield from inner(one)


@pytest.mark.parametrize("word", ALL)
def test_every_key_of_a_table_and_of_what_it_holds_is_explained(word):
    told, page = explain(word), section(word)
    lines = told.splitlines()
    assert max(map(len, lines)) <= 80
    for one in parameters(ALL[word]):
        if word not in processors() or one.key != "do":
            assert any(line.startswith(f"  {one.key}  ") for line in lines), one.key
    for model in inner(ALL[word]):
        for one in parameters(model):
            if one.key != "kind":
                assert any(line.startswith(f"  {one.key}  ") for line in lines), (model, one.key)
                assert f"| `{one.key}` |" in page, (model, one.key)
            else:
                for kind in re.findall(r'"(\w+)"', one.kind):
                    assert f'"{kind}"' in told and f'"{kind}"' in page


def test_the_shelves_of_a_dynamic_eq_are_there():
    assert 'bands, kind = "bell", "low_shelf" or "high_shelf"' in explain("dynamic_eq")


@pytest.mark.parametrize("word", processors())
def test_a_step_shows_the_keys_of_every_step(word):
    lines = explain(word).splitlines()
    common = lines[lines.index("Every step also takes:") :]
    keys = [line.split()[0] for line in common if line.startswith("  ") and line[2] != " "]
    assert keys[:4] == ["name", "note", "bypass", "mix_pct"]


def test_the_files_around_a_recipe_are_there():
    assert {"overlay", "jobs", "job", "cull-plan", "decision", "preset-file"} <= set(IN_FILES)
    assert {"expectation", "tolerance"} <= set(IN_RECIPES)
    assert "nobody edits it" in explain("baseline").replace("\n", " ")
    assert set(FILE_OF) == set(TABLES)


@pytest.mark.parametrize("word", processors())
def test_an_example_is_one_line_if_it_is_short_and_a_table_else(word):
    lines = example_of(word)
    step = {"do": word, **processors()[word].example}
    if len(lines) == 1:
        assert len(lines[0]) <= MAX_EXAMPLE
        assert tomllib.loads(f"step = {lines[0]}")["step"] == step
    else:
        assert lines[0] == "[[stems.kick.chain]]"
        assert tomllib.loads("\n".join(lines))["stems"]["kick"]["chain"] == [step]
        assert max(map(len, lines)) <= MAX_EXAMPLE - 2


@pytest.mark.parametrize("word", processors())
def test_a_source_makes_no_remarks_and_names_no_page_or_equation(word):
    source = processors()[word].source
    assert "memory" not in source
    assert not re.search(r"\beqs?\.|\bpp?\. ?\d|\(\d+\):\d", source)


@pytest.mark.parametrize(
    ("word", "hint"),
    [
        ("gatee", "did you mean 'gate'?"),
        ("comp", "did you mean 'compressor'?"),
        ("deliveries", "did you mean 'deliver'?"),
        ("overlays", "overlays is a key of defaults, job: chainrun explain defaults"),
        ("attack_ms", "attack_ms is a key of compressor"),
        ("attack", "attack_ms is a key of compressor"),
        ("levl_db", "level_db is a key of"),
        ("recipes", "recipes is a key of job"),
        ("xyzzy", None),
    ],
)
def test_an_unknown_word_gets_the_nearest(word, hint, chainrun):
    found = nearest_words(word)
    assert (hint in found) if hint is not None else found is None
    ran = chainrun("explain", word)
    assert ran.code == 2
    assert all(one in ran.err for one in words())


def test_json_has_the_tables_inside():
    from tests.program import run

    data = json.loads(run("explain", "dynamic_eq", "--json").out)["words"]["dynamic_eq"]
    assert [one["kinds"] for one in data["tables"]] == [["bell", "low_shelf", "high_shelf"]]
    assert "release_ms" in {one["key"] for one in data["tables"][0]["keys"]}
