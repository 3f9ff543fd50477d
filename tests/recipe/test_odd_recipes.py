"""Odd values, circles and paths in recipes end in clear errors with the right exit code."""

from __future__ import annotations

SONG = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "mix.wav"\n'


def test_true_is_not_a_version(session, chainrun):
    ran = chainrun("check", session.write(SONG.replace("grammar = 1", "grammar = true")))
    assert (ran.code, "a version is a number" in ran.err) == (3, True), ran.err


def test_a_value_with_a_line_end_is_refused(session, chainrun):
    ran = chainrun("check", session.write(SONG), "--set", "title='a'\nnote='b'")
    assert (ran.code, "an assignment must be one line" in ran.err) == (3, True), ran.err


def test_a_circle_through_a_key_names_every_node_in_it(session, chainrun):
    text = SONG.replace('file = "kick.wav"\n', 'file = "kick.wav"\nto = "kit"\n', 1)
    text += '[stems.snare]\nfile = "snare.wav"\nto = "kit"\n[buses.kit]\n'
    key = 'chain = [ { do = "gate", threshold_dbfs = -30, key = { from = ["kit"], tap = "before_chain" } } ]\n'
    ran = chainrun("check", session.write(text.replace("[[deliver]]", key + "[[deliver]]")))
    assert ran.code == 3
    circle = next(line for line in ran.err.splitlines() if "the signal path is a circle" in line)
    assert "kick -> kit -> kick" in circle or "kit -> kick -> kit" in circle, circle


def test_the_stems_folder_is_blamed_where_it_is_wrong(session, chainrun):
    text = 'stems_dir = "nowhere"\n' + SONG + '[stems.snare]\nfile = "snare.wav"\n'
    ran = chainrun(
        "check", session.write(text.replace("grammar = 1\n", "", 1).replace("stems_dir", "grammar = 1\nstems_dir", 1))
    )
    assert ran.code == 4
    assert "stems_dir  there is no such folder" in ran.err
    assert "snare.wav" not in ran.err


def test_a_long_path_keeps_its_end(session, chainrun):
    name = "a/" * 40 + "the-one-that-is-missing.wav"
    ran = chainrun("check", session.write(SONG.replace("kick.wav", name)))
    assert ran.code == 4
    assert "the-one-that-is-missing.wav" in ran.err
