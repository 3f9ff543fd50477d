"""The code that makes a print stale: code that makes sound, without its help, and nothing else."""

import ast
import shutil
from pathlib import Path

import pytest

import chainrun
from chainrun.plan import surroundings
from tests.signals import ROOT

PACKAGE = ROOT / "chainrun"
SILENT = {
    "__init__.py": "names and the version, which is in the hash by itself",
    "__main__.py": "starts the program",
    "api": "calls other rooms",
    "audiofile/__init__.py": "names",
    "audiofile/bext.py": "writes deliveries",
    "audiofile/write.py": "writes deliveries",
    "batch": "runs renders",
    "blas.py": "the kernel's name is in the hash by itself; one thread always",
    "cli": "parses, calls, shows",
    "comparison": "reads deliveries",
    "contract/__init__.py": "names",
    "contract/misfit.py": "words of problems",
    "contract/misuse.py": "words of problems",
    "contract/model.py": "what is refused",
    "contract/parameters.py": "help and schema",
    "contract/registry.py": "the list of processors",
    "contract/words.py": "steps in words",
    "cull": "changes presets, which are in the hash as chains",
    "defect.py": "reports",
    "delivery": "from prints to files",
    "docs": "help",
    "engine/__init__.py": "names",
    "engine/choice.py": "which prints are there",
    "engine/log.py": "the log",
    "engine/preloaded.py": "imports",
    "engine/remarks.py": "notes",
    "engine/run.py": "hands nodes out",
    "engine/work.py": "hands one node on",
    "errors.py": "problems",
    "json_hash.py": "would change every identity by itself",
    "library": "reads presets",
    "limits.py": "what is refused",
    "measuring.py": "reads files",
    "pack": "writes packs",
    "plan": "its result is in the hash: every number of a node",
    "problem_codes.py": "problems",
    "program.py": "how processes are started",
    "py.typed": "for type checkers",
    "pytest_plugin.py": "for pytest",
    "recipe": "its result is in the hash: every number of a step",
    "renders.py": "calls other rooms",
    "report": "pages",
    "scheduler": "worker processes",
    "store/__init__.py": "names",
    "store/store.py": "where prints lie",
    "survey": "reads stems",
    "toml_file.py": "reads recipes",
    "verify": "reads renders",
    "walkthrough": "pages; its stages are rendered by the engine",
    "whole_file.py": "writes files",
}
"""Files and folders whose code reaches no sample of a print, and why."""


def covers(places, path):
    """Whether one of the places is a file, or a folder above it."""
    name = path.relative_to(PACKAGE).as_posix()
    return any(name == place or name.startswith(f"{place}/") for place in places)


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: p.relative_to(PACKAGE).as_posix())
def test_every_module_makes_sound_or_says_why_it_does_not(path):
    sounding, silent = covers(surroundings.MAKES_SOUND, path), covers(SILENT, path)
    assert sounding or silent, "a new module is in neither list: plan/surroundings.py, or SILENT here"
    assert not (sounding and silent)


def test_both_lists_name_existing_modules():
    for place in (*surroundings.MAKES_SOUND, *SILENT):
        assert (PACKAGE / place).exists(), place


def test_code_that_sounds_is_hashed_and_help_is_not(tmp_path, monkeypatch):
    copy = tmp_path / "chainrun"
    shutil.copytree(PACKAGE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(chainrun, "__file__", str(copy / "__init__.py"))
    before = surroundings.code_hash()

    def changed(name, old, new):
        text = (copy / name).read_text()
        assert old in text
        (copy / name).write_text(text.replace(old, new, 1))
        found = surroundings.code_hash()
        (copy / name).write_text(text)
        return found != before

    assert not changed("cli/render.py", "Render recipes", "Renders recipes")
    assert not changed("processors/gain.py", 'description="', 'description="louder: ')
    assert not changed("processors/gate.py", '"""', '"""Quite. ')
    assert not changed("processors/pan.py", 'source = "', 'source = "see ')
    assert not changed("dsp/level.py", "from __future__", "# a remark\nfrom __future__")
    assert changed("dsp/gating.py", "def ", "x = 1\n\n\ndef ")
    assert changed("processors/gain.py", "ge=-120", "ge=-121")
    assert changed("engine/sources.py", "self._gain", "self._other")
    assert surroundings.code_hash() == before


@pytest.mark.parametrize(
    "path", list(surroundings.sounding_files()), ids=lambda p: Path(p).relative_to(PACKAGE).as_posix()
)
def test_three_quotes_are_docstrings_in_code_that_sounds(path):
    """The hash leaves out texts by their quotes, so no text that the program uses may have them."""
    tree = ast.parse(path.read_text())
    docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
            assert '"""' not in (ast.get_source_segment(path.read_text(), node) or "")
