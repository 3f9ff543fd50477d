"""Closed and full streams, plain terminals and UTF-8."""

from __future__ import annotations

import os

import pytest

from tests import program
from tests.songs import KIT

SIMPLE = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\nchain = [ { do = "compressor", threshold_dbfs = -30 } ]\n'


@pytest.mark.parametrize("where", ["1>&-", "2>&-", "1>&- 2>&-", "2>/dev/full", "| head -1"])
def test_closed_and_full_streams(session, where):
    session.write(SIMPLE)
    ran = program.run_in_shell(f"chainrun check song.recipe.toml {where}")
    assert ran.code == 0, ran.err
    assert program.run_in_shell(f"chainrun check nobody.recipe.toml {where}").code == 3


def test_a_full_stdout_says_exit_5(session):
    session.write(SIMPLE)
    assert program.run_in_shell("chainrun explain > /dev/full").code == 5


def test_resolve_is_utf8_whatever_the_terminal(session):
    session.write('title = "Café"\n' + SIMPLE)
    environment = {"PATH": os.environ["PATH"], "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    ran = program.run_as_process("resolve", "song.recipe.toml", env=environment, encoding="utf-8")
    assert 'title = "Café"' in ran.out


def test_no_home_no_terminal_and_plain_ascii(session):
    session.write(SIMPLE.replace('"kick.wav"', '"nobody.wav"'))
    environment = {"PATH": os.environ["PATH"], "LANG": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    ran = program.run_as_process("check", "song.recipe.toml", env=environment)
    assert ran.code == 4
    ran.err.encode("ascii")


def test_stdout_that_is_closed(session):
    ran = program.run_as_process("render", session.write(KIT), "-o", "out", preexec_fn=lambda: os.close(1))
    assert (ran.code, "Traceback" in ran.err) == (0, False)
