"""Closed and full streams, plain terminals and UTF-8."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from tests import program
from tests.songs import KIT

SIMPLE = 'recipe = 1\n[stems.kick]\nfile = "kick.wav"\nchain = [ { do = "compressor", threshold_db = -30 } ]\n'


@pytest.mark.parametrize("where", ["1>&-", "2>&-", "1>&- 2>&-", "2>/dev/full", "| head -1"])
def test_closed_and_full_streams(session, where):
    session.write(SIMPLE)
    command = f"{sys.executable} -m chainrun check song.recipe.toml {where}"
    ran = subprocess.run(["bash", "-c", f"set -o pipefail; {command}"], capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    broken = f"{sys.executable} -m chainrun check nobody.recipe.toml {where}"
    assert subprocess.run(["bash", "-c", f"set -o pipefail; {broken}"], capture_output=True).returncode == 3


def test_a_full_stdout_says_exit_5(session):
    session.write(SIMPLE)
    command = f"{sys.executable} -m chainrun explain > /dev/full"
    assert subprocess.run(["bash", "-c", command], capture_output=True).returncode == 5


def test_resolve_is_utf8_whatever_the_terminal(session):
    session.write('title = "Café"\n' + SIMPLE)
    environment = {"PATH": os.environ["PATH"], "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    ran = subprocess.run(
        [sys.executable, "-m", "chainrun", "resolve", "song.recipe.toml"], capture_output=True, env=environment
    )
    assert 'title = "Café"' in ran.stdout.decode()


def test_no_home_no_terminal_and_plain_ascii(session):
    session.write(SIMPLE.replace('"kick.wav"', '"nobody.wav"'))
    environment = {"PATH": os.environ["PATH"], "LANG": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    ran = program.run_as_process("check", "song.recipe.toml", env=environment)
    assert ran.returncode == 4
    ran.stderr.encode("ascii")


def test_stdout_that_is_closed(session):
    process = program.start("render", session.write(KIT), "-o", "out", preexec_fn=lambda: os.close(1))
    _, err = process.communicate(timeout=program.PATIENCE_S)
    assert (process.returncode, "Traceback" in err) == (0, False)
