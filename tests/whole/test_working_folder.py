"""Files beside a stranger's recipe are data: no module of the working folder is ever imported."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from tests import program
from tests.signals import noise

soundfile = pytest.importorskip("soundfile")


@pytest.fixture
def trap(tmp_path):
    """A folder with a recipe, a file of jobs, and a module of every name of the standard library."""
    soundfile.write(tmp_path / "a.wav", noise(4800, 0.1), 48000)
    for name in "ab":
        (tmp_path / f"{name}.recipe.toml").write_text(
            'grammar = 1\n[stems.a]\nfile = "a.wav"\n[stems.b]\nfile = "a.wav"\n[[deliver]]\nfile = "mix.wav"\n'
        )
    (tmp_path / "night.jobs.toml").write_text('grammar = 1\n[[job]]\nrecipes = ["*.recipe.toml"]\n')
    for name in [*sys.stdlib_module_names, "numpy", "scipy", "soundfile", "pydantic", "typer", "chainrun"]:
        (tmp_path / f"{name}.py").write_text(f'open({str(tmp_path / "SPRUNG")!r}, "a").write({name!r} + "\\n")\n')
    return tmp_path


def started(trap, arguments, command, **environment):
    bare = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
    env = {**bare, "CHAINRUN_STORE": str(trap / "store"), **environment}
    ran = program.run_as_process(*arguments, command=command, cwd=trap, env=env)
    return ran.code, ran.err


SCRIPT = str(Path(sys.executable).with_name("chainrun"))


@pytest.mark.parametrize(
    "arguments",
    [
        ["render", "a.recipe.toml", "--workers", "2", "--no-store"],
        ["batch", "night.jobs.toml"],
        ["survey", "a.recipe.toml", "--workers", "2"],
    ],
    ids=lambda arguments: arguments[0],
)
def test_no_module_of_the_working_folder_is_imported(trap, arguments):
    if not Path(SCRIPT).exists():
        pytest.skip("the program is not installed beside this Python")
    code, err = started(trap, arguments, [SCRIPT])
    assert not (trap / "SPRUNG").exists(), (trap / "SPRUNG").read_text()
    assert code == 0, err


def test_not_by_workers_that_are_spawned_either(trap, tmp_path_factory):
    """If the folder for temporary files has a long path, there is no server of workers."""
    if not Path(SCRIPT).exists():
        pytest.skip("the program is not installed beside this Python")
    place = tmp_path_factory.mktemp("t" * 80)
    code, err = started(trap, ["render", "a.recipe.toml", "--workers", "2", "--no-store"], [SCRIPT], TMPDIR=str(place))
    assert not (trap / "SPRUNG").exists(), (trap / "SPRUNG").read_text()
    assert code == 0, err


def test_python_m_imports_nothing_of_it_once_it_runs(trap):
    """`python -m` itself looks for what starts a module in the working folder; with -P it does not."""
    ours = trap / "chainrun.py"
    ours.unlink()
    for name in ("__future__", "runpy", "pkgutil", "typing", "_typing", "importlib", "zipimport", "weakref", "types", "contextlib", "functools",
                 "collections", "operator", "keyword", "reprlib", "abc", "copyreg", "re", "enum", "warnings"):  # fmt: skip
        (trap / f"{name}.py").unlink(missing_ok=True)
    arguments = ["render", "a.recipe.toml", "--workers", "2", "--no-store"]
    code, err = started(trap, arguments, program.COMMAND)
    assert not (trap / "SPRUNG").exists(), (trap / "SPRUNG").read_text()
    assert code == 0, err
    assert started(trap, arguments, [sys.executable, "-P", "-m", "chainrun"])[0] == 0
    assert not (trap / "SPRUNG").exists()


def test_a_cluster_started_here_is_safe_too(trap):
    pytest.importorskip("distributed")
    if not Path(SCRIPT).exists():
        pytest.skip("the program is not installed beside this Python")
    code, err = started(trap, ["batch", "night.jobs.toml", "--cluster", "local:1"], [SCRIPT])
    assert not (trap / "SPRUNG").exists(), (trap / "SPRUNG").read_text()
    assert code == 0, err
