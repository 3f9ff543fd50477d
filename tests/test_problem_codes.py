"""Codes of problems: each has a meaning and a use, every problem has one, and sentences decide nothing."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

import chainrun
from chainrun.cli.option_hints import _WITH_OPTIONS, for_command_line
from chainrun.docs.explain import error_rows, explain, overview
from chainrun.docs.reference import reference_text
from chainrun.errors import EXIT_CODES, Problem
from chainrun.limits import Limits
from chainrun.problem_codes import Code

PACKAGE = Path(chainrun.__file__).parent
SONG = """grammar = 1
[stems.kick]
file = "kick.wav"
chain = [ { do = "gain", gain_db = -3 } ]
"""


def trees() -> Iterator[tuple[str, ast.Module]]:
    for path in sorted(PACKAGE.rglob("*.py")):
        yield path.relative_to(PACKAGE).as_posix(), ast.parse(path.read_text())


def name_of(node: ast.expr) -> str:
    """The last name of a dotted expression."""
    return node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""


def problem_calls() -> Iterator[tuple[str, ast.Call]]:
    """Every call by which a problem is made."""
    for file, tree in trees():
        for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
            word = name_of(call.func)
            added = word == "add" and isinstance(call.func, ast.Attribute) and name_of(call.func.value) == "problems"
            if added or word in ("Problem", "Misfit") or (word == "refuse" and file.startswith("cli/")):
                yield file, call


@pytest.fixture
def song(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    soundfile.write("kick.wav", np.sin(np.arange(9600) / 10) * 0.3, 48000)

    def written(text: str = SONG) -> Path:
        path = tmp_path / "song.recipe.toml"
        path.write_text(text)
        return path

    return written


def test_every_code_is_used():
    used = {
        node.attr
        for file, tree in trees()
        if file != "problem_codes.py"
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "Code"
    }
    assert set(Code.__members__) - used == set()


def test_every_code_has_a_word_and_a_meaning():
    meanings = [code.about for code in Code]
    assert len(set(meanings)) == len(Code.__members__) == len(list(Code)), "an enum takes a second value for an alias"
    for code in Code:
        assert code.value.replace("-", "").isalnum() and code.value == code.value.lower(), code
        assert code.about[0].isupper() and code.about.endswith(".") and " " in code.about, code


def test_no_code_has_the_name_of_a_pydantic_error():
    from typing import get_args

    from pydantic_core.core_schema import ErrorType

    assert not {code.value for code in Code} & set(get_args(ErrorType))


def test_every_problem_has_a_code():
    without = [
        f"{file}:{call.lineno}"
        for file, call in problem_calls()
        if not any(keyword.arg == "code" for keyword in call.keywords)
    ]
    assert not without, without


def test_nothing_is_decided_by_a_sentence():
    """No comparison, membership test or startswith looks into a message or a hint."""
    found = []
    for file, tree in trees():
        for node in ast.walk(tree):
            looked_into: list[ast.expr] = []
            if isinstance(node, ast.Compare) and not any(isinstance(op, ast.Is | ast.IsNot) for op in node.ops):
                looked_into = [node.left, *node.comparators]
            elif isinstance(node, ast.Call) and name_of(node.func) in ("startswith", "endswith", "find", "search"):
                looked_into = [node.func.value] if isinstance(node.func, ast.Attribute) else []
            found += [
                f"{file}:{node.lineno}"
                for one in looked_into
                if isinstance(one, ast.Attribute) and one.attr in ("message", "hint", "msg")
            ]
    assert not found, found


def test_the_json_of_check_has_codes(song, chainrun):
    told = SONG.replace("gain_db = -3", "gain_db = 300").replace("kick.wav", "kik.wav")
    ran = chainrun("check", song(told), "--json")
    assert [one["code"] for one in ran.json["problems"]] == ["file-not-found", "out-of-range"]
    assert all("facts" not in one for one in ran.json["problems"])


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (('do = "gain"', 'do = "gian"'), Code.UNKNOWN_PROCESSOR),
        (("gain_db = -3", "gain = -3"), Code.UNKNOWN_KEY),
        (("gain_db = -3", "gain_db = true"), Code.WRONG_TYPE),
        (("gain_db = -3", "gain_db = 1000"), Code.OUT_OF_RANGE),
        (("gain_db = -3", "gain_db = nan"), Code.OUT_OF_RANGE),
        (("grammar = 1", "grammar = 2"), Code.UNKNOWN_VERSION),
        (("grammar = 1", "grammar = true"), Code.UNKNOWN_VERSION),
        (('do = "gain", gain_db = -3', 'do = "pan", pan_pct = 0 }, { do = "pan", pan_pct = 1'), Code.NEEDS_MONO),
        (('do = "gain", gain_db = -3', 'do = "width", width_pct = 50'), Code.NEEDS_STEREO),
        (('do = "gain", gain_db = -3', 'do = "echo"'), Code.KEYS_CLASH),
        (('do = "gain", gain_db = -3', 'do = "echo", time_beats = 1'), Code.NEEDS_TEMPO),
        (('do = "gain", gain_db = -3', 'preset = "nothing"'), Code.UNKNOWN_PRESET),
        (('"kick.wav"', '"none.wav"'), Code.FILE_NOT_FOUND),
        (('"kick.wav"', '"../kick.wav"'), Code.OUTSIDE_ROOT),
        (('"kick.wav"', '"a\\u0000b"'), Code.UNUSABLE_PATH),
        (('"kick.wav"', '"kick.wav"\nto = "nowhere"'), Code.UNKNOWN_BUS),
        (("[stems.kick]", "[stems.kick"), Code.INVALID_TOML),
        (('"kick.wav"', '"kick.wav"\nchannel = 2'), Code.NO_SUCH_CHANNEL),
    ],
)  # fmt: skip
def test_the_kind_of_a_mistake_is_its_code(change, code, song):
    assert change[0] in SONG
    found = chainrun.check(song(SONG.replace(*change)))
    assert code in [one.code for one in found.problems], [(one.code, one.message) for one in found.problems]


def test_one_mistake_has_one_code_whatever_its_sentence(song):
    texts = [
        SONG.replace("-3", "500"),
        SONG.replace('"kick.wav"', '"kick.wav"\ntrim_db = [0.0, 500.0]'),
        SONG.replace('"kick.wav"', '"kick.wav"\nshift_ms = 9000.0'),
    ]
    problems = [chainrun.check(song(text)).problems for text in texts]
    assert [one.code for found in problems for one in found] == [Code.OUT_OF_RANGE] * 3
    assert len({one.message for found in problems for one in found}) == 3


def test_retired_presets_are_refused_by_code(song, tmp_path):
    (tmp_path / "presets").mkdir()
    (tmp_path / "presets" / "old.preset.toml").write_text(
        'grammar = 1\nstatus = "retired"\nchain = [ { do = "gain", gain_db = 1 } ]\n'
    )
    recipe = song(SONG.replace('do = "gain", gain_db = -3', 'preset = "old"'))
    gentle, strict = chainrun.check(recipe), chainrun.check(recipe, strict=True)
    assert [(one.code, one.severity) for one in gentle.problems] == [(Code.RETIRED_PRESET, "warning")]
    assert [(one.code, one.severity) for one in strict.problems] == [(Code.RETIRED_PRESET, "error")]


def test_the_library_names_no_option():
    named = []
    for file, tree in trees():
        if file.startswith(("cli/", "pytest_plugin", "docs/")):
            continue
        for call in (node for node in ast.walk(tree) if isinstance(node, ast.Call)):
            if name_of(call.func) in ("Problem", "Misfit", "add"):
                texts = [node.value for node in ast.walk(call) if isinstance(node, ast.Constant)]
                named += [
                    f"{file}:{call.lineno}"
                    for text in texts
                    if isinstance(text, str) and text.lstrip().startswith(("--", "-o "))
                ]
                named += [f"{file}:{call.lineno}" for text in texts if isinstance(text, str) and " --" in text]
    assert not named, named


def test_the_command_line_names_the_option(song, chainrun):
    over = Limits.of(("length_s=0.1",)).exceeded("length_s", 0.25, "the file's length")
    assert over is not None
    assert over.hint == "if you trust it, raise the limit length_s to 0.25"
    assert for_command_line(over).hint == "if you trust it: --limit length_s=0.25"
    assert for_command_line(replace(over, hint=None)).hint is None
    ran = chainrun("render", song(), "-o", "out", "--only", "kik", "--json")
    assert ran.json["problems"][0]["message"] == "--only: there is no such stem or bus"
    for span, told in (
        (("--from", "5"), "--from/--to is outside the session (0 to 0.2 s); given 5 to 0.2 s"),
        (("--from", "5", "--to", "6"), "--from/--to is outside the session (0 to 0.2 s); given 5 to 6 s"),
        (("--from", "0.1", "--to", "0.05"), "--from must be before --to; given 0.1 to 0.05 s"),
    ):
        ran = chainrun("render", song(), "-o", "out", *span)
        assert (ran.code, ran.err.startswith(told)) == (2, True), ran.err


def test_the_option_that_asked_for_it_is_named():
    asked = {
        (Code.UNKNOWN_WORD, "jobs"): "--jobs: so",
        (Code.UNKNOWN_WORD, "stems"): "--stems: so",
        (Code.UNKNOWN_WORD, "reference"): "so for --reference",
        (Code.OPTION_VALUE, "target"): "--write takes a recipe's file, not a folder",
        (Code.OPTION_VALUE, "cluster"): "--cluster takes local:N or tcp://HOST:PORT",
        (Code.OPTION_VALUE, "cluster_workers"): "--cluster local:N needs a number of workers",
        (Code.OPTION_VALUE, "shard"): "--shard takes K/N",
        (Code.EXTRA_MISSING, "cluster"): "--cluster needs the extra `cluster`",
        (Code.NOT_COMPARABLE, "variant"): "--variant needs a recipe",
    }
    for (code, by), message in asked.items():
        assert for_command_line(Problem("so", code=code, facts=(("asked_by", by),))).message == message
        assert for_command_line(Problem("so", code=code)).message == "so"
    anew = Problem("so", hint="accept it anew", code=Code.BASELINE_DAMAGED, facts=(("mended_by", "accept"),))
    assert for_command_line(anew).hint == "accept it anew: chainrun verify RECIPE --accept"


def test_options_enter_a_hint_by_code_and_facts_alone():
    for code in _WITH_OPTIONS:
        plain = Problem("said", hint="done", code=code, facts=(("session_s", 1.0), ("enough", 2.0)))
        other = replace(plain, message="otherwise said", hint="otherwise done")
        told, retold = for_command_line(plain), for_command_line(other)
        assert (told.code, told.facts) == (retold.code, retold.facts) == (code, plain.facts)
        assert told.hint == retold.hint or (told.hint, retold.hint) == (plain.hint, other.hint)


def test_explain_errors_lists_them_all(chainrun):
    told = chainrun("explain", "errors").out
    assert all(f"\n  {code}\n" in told for code, _ in error_rows()) and "  143  " in told
    assert max(map(len, explain("errors").splitlines())) <= 80
    listed = chainrun("explain", "errors", "--json").json
    assert [one["code"] for one in listed["errors"]] == [code.value for code in Code]
    assert [one["exit_code"] for one in listed["exit_codes"]] == list(EXIT_CODES)
    assert "\n  errors  " in overview()
    assert all(f"| `{code}` | {about} |" in reference_text() for code, about in error_rows())
