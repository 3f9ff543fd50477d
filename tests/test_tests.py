"""Structure of the tests: each file says what it holds, none depends on the bench, one module starts processes."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

HERE = Path(__file__).parent
FILES = sorted(HERE.rglob("*.py"))
OWN_PROCESSES = {"program.py", "test_architecture.py"}
"""These start processes by themselves; so do benchmarks, which measure them."""


def named(path):
    return path.relative_to(HERE).as_posix()


def tree_of(path):
    return ast.parse(path.read_text())


def imports_of(path):
    """Every module that a file imports, wherever in it."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def test_every_file_has_a_first_line_of_its_own():
    """The first line of its docstring: no two files share one, and each has one."""
    lines = {named(path): (ast.get_docstring(tree_of(path)) or "").partition("\n")[0] for path in FILES}
    assert not [name for name, line in lines.items() if not line]
    often = {line for line, count in Counter(lines.values()).items() if count > 1}
    assert not {name: line for name, line in lines.items() if line in often}


def test_no_test_leans_on_the_bench():
    others = [path for path in FILES if not path.is_relative_to(HERE / "bench")]
    assert not [named(path) for path in others for one in imports_of(path) if one.startswith("tests.bench")]


def test_one_module_starts_processes():
    others = [path for path in FILES if not path.is_relative_to(HERE / "bench") and named(path) not in OWN_PROCESSES]
    assert not [named(path) for path in others for one in imports_of(path) if one.partition(".")[0] == "subprocess"]
