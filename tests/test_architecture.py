"""The house holds: imports go down the rows of the design, start-up stays cheap, names stay honest."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "chainrun"
# The rows of the house, top first. A module imports only from rows below its own, or from its own package.
ROWS = [
    ["cli", "pytest_plugin"],
    ["api"],
    ["walkthrough", "pack", "docs"],
    ["report"],
    ["cull", "verify", "batch"],
    ["comparison", "survey"],
    ["engine"],
    ["plan"],
    ["recipe"],
    ["processors"],
    ["contract"],
    ["loudness", "audiofile"],
    ["dsp"],
    ["toml_file"],
    ["whole_file"],
    ["limits"],
    ["units", "errors", "measured"],
]
ROW_OF = {name: i for i, row in enumerate(ROWS) for name in row}
FREE = {"__init__", "__main__"}
ONLY_IN = {"soundfile": "audiofile", "typer": "cli", "rich": "cli"}
FILES = sorted(PACKAGE.rglob("*.py"))
EVERY_FILE = sorted(path for folder in (PACKAGE, ROOT / "tests", ROOT / "fixtures") for path in folder.rglob("*.py"))


def room_of(path):
    inside = path.relative_to(PACKAGE).with_suffix("")
    return inside.parts[0]


def imports_of(path):
    """Every module that a file imports, with whether it is for type checking alone."""
    tree = ast.parse(path.read_text())
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_down(path):
    room = room_of(path)
    if room in FREE:
        return
    assert room in ROW_OF, f"{path} stands in no row of the house"
    for module in imports_of(path):
        top = module.split(".")[0]
        if top in ONLY_IN:
            assert room == ONLY_IN[top], f"{path}: only {ONLY_IN[top]} imports {top}"
        parts = module.split(".")
        if parts[0] != "chainrun" or len(parts) < 2 or parts[1] == room or parts[1] == "__version__":
            continue
        assert parts[1] in ROW_OF, f"{path} imports {module}, which stands in no row"
        assert ROW_OF[parts[1]] > ROW_OF[room], f"{path} imports {module}, which does not stand below it"
        if room == "processors":
            assert parts[1] != "processors", f"{path}: processors share through dsp, not through each other"
        if room == "dsp":
            assert parts[1] in ("dsp", "units"), f"{path}: dsp knows kernels and units alone"


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
def test_files_are_rooms_not_sheds(path):
    assert path.stem not in {"utils", "helpers", "common", "base", "misc", "manager"}
    assert len(path.read_text().splitlines()) <= 450, "a file this long asks for a split"


def test_top_level_is_the_designs():
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
