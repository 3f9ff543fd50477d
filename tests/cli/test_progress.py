"""Progress on a terminal and on a pipe; colours of states."""

from __future__ import annotations

import io
import re
import sys

import pytest

from chainrun.cli import progress, terminal
from chainrun.cli.progress import ProgressLines, time_left


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self):
        return True


@pytest.fixture
def screen(monkeypatch):
    """Stderr as a terminal of 80 columns, drawn at once."""
    for name in ("PATIENCE_S", "REFRESH_S"):
        monkeypatch.setattr(progress, name, -1.0)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("NO_COLOR", raising=False)

    def begin():  # in the test's own phase: pytest puts its stderr back between phases
        stream = Terminal()
        monkeypatch.setattr(sys, "stderr", stream)
        return stream

    return begin


def last_frame(stream):
    """The lines as they were drawn last, without what moves the cursor."""
    frame = stream.getvalue().split("\r\x1b[2K")[-1]
    return [re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", line).strip() for line in frame.splitlines()]


def test_a_terminal_shows_a_line_for_each_node_at_work(screen):
    stream = screen()
    lines = ProgressLines(quiet=False)
    for name in ("kick", "snare", "a-name-of-more-than-24-characters", "main"):
        lines.node(name, 0.0)
    lines.node("kick", 1.0)
    lines.node("snare", 0.5)
    lines.node("a-name-of-more-than-24-characters", 0.25)
    whole, *nodes = last_frame(stream)
    assert whole.startswith("1 of 4 nodes") and " 44 %" in whole  # (1 + 0.5 + 0.25 + 0) / 4
    assert [line.split()[0] for line in nodes] == ["snare", "a-name-of-more-than-2..."]
    assert " 50 %" in nodes[0] and nodes[0].endswith("left")
    assert max(map(len, (whole, *nodes))) <= 80
    lines.done()
    assert stream.getvalue().endswith("\x1b[2K")  # the lines are taken away


def test_a_pipe_gets_a_plain_line_for_each_finished_node(capsys):
    lines = ProgressLines(quiet=False)
    for share in (0.0, 0.5, 1.0):
        lines.node("kick", share)
    lines.done()
    assert capsys.readouterr().err == "rendered kick\n"


@pytest.mark.parametrize("quiet", [True, False])
def test_quiet_shows_no_progress(screen, quiet):
    stream = screen()
    lines = ProgressLines(quiet=quiet)
    lines.node("kick", 0.5)
    lines.done()
    assert (stream.getvalue() == "") is quiet


def test_a_dumb_terminal_gets_plain_lines(screen, monkeypatch):
    stream = screen()
    monkeypatch.setenv("TERM", "dumb")
    lines = ProgressLines(quiet=False)
    lines.node("kick", 1.0)
    assert stream.getvalue() == "rendered kick\n"


@pytest.mark.parametrize(
    ("share", "elapsed_s", "text"), [(0.5, 65.0, "1:05 left"), (0.25, 10.0, "0:30 left"), (0.001, 3.0, "")]
)
def test_time_left_is_by_what_is_done(share, elapsed_s, text):
    assert time_left(share, elapsed_s) == text


def test_states_are_coloured_on_a_terminal_alone(screen, monkeypatch, capsys):
    stream = screen()
    text = f"a {terminal.good('ok')} {terminal.doubtful('note')} {terminal.bad('failed')} \x1b[2J \x01g"
    terminal.talk(text)
    assert stream.getvalue() == "a \x1b[32mok\x1b[0m \x1b[33mnote\x1b[0m \x1b[31mfailed\x1b[0m \\x1b[2J \\x01g\n"
    terminal.put(text)
    assert capsys.readouterr().out == "a ok note failed \\x1b[2J \\x01g\n"
    monkeypatch.setenv("NO_COLOR", "1")
    stream = screen()
    terminal.talk(text)
    assert stream.getvalue() == "a ok note failed \\x1b[2J \\x01g\n"


def test_a_table_is_as_wide_as_its_words_whatever_their_colour():
    rows = [["one", terminal.bad("failed"), "1"], ["two\x07", "ok", "-22.5"]]
    shown = terminal._lines(terminal.table(["job", "state", "level\ndBFS"], rows, left=2), io.StringIO())
    assert shown.splitlines() == [
        "                 level",
        "job      state    dBFS",
        "one      failed      1",
        "two\\x07  ok      -22.5",
    ]
