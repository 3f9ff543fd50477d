"""The structure of the package: imports go down the rows, start-up stays cheap, names are unique."""

from __future__ import annotations

import ast
import re
import subprocess
import sys

import pytest

from tests.architecture import PACKAGE, ROOT, broken_imports, circles, files, imports_of

EVERY_FILE = sorted(path for folder in (PACKAGE, ROOT / "tests", ROOT / "fixtures") for path in folder.rglob("*.py"))


@pytest.mark.parametrize("path", files(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_down(path):
    assert broken_imports(path) == []


def test_no_modules_import_each_other():
    assert circles() == []


def test_processors_do_not_import_each_other():
    for path in (PACKAGE / "processors").glob("*.py"):
        if path.stem != "__init__":
            assert not [m for m in imports_of(path) if m.startswith("chainrun.processors")], path


@pytest.mark.parametrize(
    "folder", sorted({path.parent for path in EVERY_FILE} - {ROOT / "fixtures"}), ids=lambda p: str(p.relative_to(ROOT))
)
def test_every_folder_says_what_lives_there(folder):
    assert ast.get_docstring(ast.parse((folder / "__init__.py").read_text()))


@pytest.mark.parametrize("path", EVERY_FILE, ids=lambda p: str(p.relative_to(ROOT)))
def test_files_are_short(path):
    assert path.stem not in {"utils", "helpers", "common", "base", "misc", "manager"}
    assert len(path.read_text().splitlines()) <= 450, "a file this long asks for a split"


def trees() -> list[tuple[str, ast.Module]]:
    """The modules of the package."""
    return [(str(path.relative_to(ROOT)), ast.parse(path.read_text())) for path in files()]


def test_functions_are_read_on_one_screen():
    """60 lines with signature and docstring; one that is longer says `long:` and why in its docstring."""
    too_long = [
        f"{file}: {node.name} has {node.end_lineno - node.lineno + 1} lines"
        for file, tree in trees()
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef)
        and node.end_lineno - node.lineno >= 60
        and not re.search(r"\blong: \w", ast.get_docstring(node) or "")
    ]
    assert not too_long


def test_no_two_classes_have_one_name():
    """Two classes of one name are mistaken for each other, in a search and in a traceback."""
    places: dict[str, list[str]] = {}
    for file, tree in trees():
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef):
                places.setdefault(node.name, []).append(file)
    assert not {name: found for name, found in places.items() if len(found) > 1}


def test_the_top_level_is_that_of_the_design():
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "LICENSE",
        "pyproject.toml",
        "chainrun",
        "recipes",
        "tests",
        "fixtures",
    }
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True)
    if listed.returncode:
        pytest.skip("not a git checkout")
    tops = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {top for top in tops if not top.startswith(".")} <= allowed


CHEAP = {
    "help": ["--help"],
    "check": ["check", "recipes/tithe-barn.recipe.toml"],
    "explain": ["explain", "gate"],
    "resolve": ["resolve", "recipes/tithe-barn.recipe.toml"],
}


@pytest.mark.parametrize("name", sorted(CHEAP))
def test_start_does_not_cost_scipy(name):
    """`import scipy.signal` costs more than the whole of these commands."""
    code = (
        "import sys\nfrom chainrun.cli.app import main\n"
        f"code = main({CHEAP[name]!r})\n"
        "assert code == 0, code\n"
        "assert not [m for m in sys.modules if m.split('.')[0] in ('scipy', 'pyloudnorm')]\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr


def test_untyped_tables_become_fewer():
    """Data that crosses a module's border is typed; their number of `dict[str, Any]` may only fall."""
    found = {path: len(re.findall(r"dict\[str, Any\]", path.read_text())) for path in files()}
    assert sum(found.values()) <= 14, {str(path.relative_to(ROOT)): n for path, n in found.items() if n}
