"""README: short enough to be read; every command in it runs as printed, in its order, on a copy of the repository."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import tomllib
from pathlib import Path

import pytest

from tests import program
from tests.signals import ROOT

README = (ROOT / "README.md").read_text()

FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)

CODES = {"verify lesson/kit.recipe.toml": [1], "cull try lesson/2026.cull.toml": [1]}
"""Exit codes other than 0, by the command's words, in the order in which it comes."""


def blocks(language):
    return [found[2] for found in FENCE.finditer(README) if found[1] == language]


def commands():
    for block in blocks("sh"):
        for line in block.splitlines():
            yield shlex.split(line, comments=True)


def test_it_is_short():
    assert len(README.splitlines()) < 300


def test_links_and_pictures_are_there():
    targets = re.findall(r"\]\(([^)]+)\)", README)
    assert len(targets) > 8
    assert not [target for target in targets if not (ROOT / target).exists()]


def test_its_toml_is_toml():
    assert len(blocks("toml")) >= 1
    for block in blocks("toml"):
        tomllib.loads(block)


def before(words):
    """Steps that the text asks of the reader between two commands."""
    if words[1:3] == ["verify", "lesson/kit.recipe.toml"] and len(words) == 3:
        recipe = Path("lesson/kit.recipe.toml")
        (change,) = re.findall(r'`(\{ preset = "bus/glue".*?\} \})`', README, re.DOTALL)
        text = recipe.read_text()
        assert '{ preset = "bus/glue", name = "glue" }' in text
        recipe.write_text(text.replace('{ preset = "bus/glue", name = "glue" }', " ".join(change.split())))
    if words[1:3] == ["cull", "try"]:
        plan = Path("lesson/2026.cull.toml")
        text = plan.read_text()
        old = 'name = "snare/small-room"\ndecision = "keep"'
        assert old in text
        plan.write_text(text.replace(old, old.replace("keep", "replace") + '\nby = "toms/small-room"'))


def test_every_command_runs(tmp_path, monkeypatch, chainrun, store):
    for name in ("recipes", "fixtures"):
        shutil.copytree(ROOT / name, tmp_path / name)
    shutil.copy(ROOT / "LICENSE", tmp_path)
    (tmp_path / ".chainrun-root").touch()
    monkeypatch.chdir(tmp_path)
    codes = {words: list(wanted) for words, wanted in CODES.items()}
    said = {}
    for words in commands():
        if words[0] == "python3" or words[0].endswith("/python"):  # the two commands: .ci/run runs both
            continue
        assert words[0] == "chainrun", words
        before(words)
        arguments = [*words[1:]]
        if any("*" in word for word in arguments):  # the shell's work, where it is not quoted
            unquoted = [line for line in README.splitlines() if line.startswith(" ".join(words))]
            if unquoted:
                arguments = [one for word in arguments for one in (sorted(map(str, Path().glob(word))) or [word])]
        ran = chainrun(*arguments)
        line = " ".join(words[1:])
        wanted = codes[line].pop(0) if codes.get(line) else 0
        assert ran.code == wanted, f"{line}: exit {ran.code}\n{ran.out}\n{ran.err}"
        said[line] = ran.out + ran.err
    assert not any(codes.values()), "the text has another order"
    assert len(said) >= 20
    told = {line.partition(" ")[0]: text for line, text in said.items()}
    assert "compressor.attack_ms" in said["verify lesson/kit.recipe.toml"]
    assert "toms/small-room" in said["check lesson/kit.recipe.toml"]
    assert {"draft", "survey", "render", "compare", "verify", "cull", "presets", "walkthrough", "pack"} <= set(told)
    assert not [
        path for path in (tmp_path / "lesson" / "presets").rglob("*") if "retired" in path.parts and path.is_file()
    ]


@pytest.mark.parametrize("command", ["explain", "resolve", "measure", "batch", "store", "schema"])
def test_the_others_that_it_names_are_there(command, chainrun):
    assert f"`{command}" in README
    ran = chainrun(command, "--help")
    assert ran.code == 0
    assert "Usage" in ran.out


def test_shell_completion(chainrun, monkeypatch):
    """What `--show-completion` prints works in a shell: bash completes a command and an option by it."""

    def completed(words):
        environment = {
            **os.environ,
            "_CHAINRUN_COMPLETE": "complete_bash",
            "COMP_WORDS": words,
            "COMP_CWORD": str(len(words.split()) - 1),
        }
        code = "from chainrun.cli.app import run; import sys; sys.argv[0] = 'chainrun'; run()"
        return program.run_code(code, env=environment).out.split()

    assert "`chainrun --install-completion`" in README
    assert "render" in completed("chainrun ren")
    assert "--workers" in completed("chainrun render --work")
