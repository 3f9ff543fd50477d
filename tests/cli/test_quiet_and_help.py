"""`--quiet` shows results alone, and help is help."""

from __future__ import annotations

HEAD = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\nto = "kit"\n'

TAIL = '[stems.pair]\nfile = "pair.wav"\n[buses.kit]\n[[deliver]]\nfile = "mix.wav"\n'


def test_quiet_shows_results_and_help_is_help(session, chainrun):
    path = session.write(HEAD + TAIL)
    ran = chainrun("render", path, "-o", "out", "--quiet")
    assert "mix.wav" in ran.out
    assert "rendered" not in ran.err
    assert "valid" in chainrun("check", path, "--quiet").out
    for group in ("presets", "cull", "store"):
        ran = chainrun(group)
        assert ran.code == 0
        assert ran.out.lstrip().startswith("Usage:")
        assert "\\n" not in ran.out
        assert "hint" not in ran.err
