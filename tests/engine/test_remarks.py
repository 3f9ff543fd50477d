"""A render reports what a person would notice; a forgotten minus sign once went unreported."""

from __future__ import annotations

import pytest

HEAD = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\nto = "kit"\n'

TAIL = '[stems.pair]\nfile = "pair.wav"\n[buses.kit]\n[[deliver]]\nfile = "mix.wav"\n'


def notes(session, chainrun, chain="", more="", *options):
    path = session.write(HEAD + (f"chain = [ {chain} ]\n" if chain else "") + more + TAIL)
    ran = chainrun("render", path, "-o", "out", "--json", *options)
    assert ran.code == 0, ran.err
    return [one for one in ran.json["warnings"] if not one.startswith("caution")]


@pytest.mark.parametrize(
    ("step", "said"),
    [
        (
            '{ do = "gate", name = "door", threshold_dbfs = 6.0, range_db = 40 }',
            "stems.kick.chain.door (gate): never opens",
        ),
        ('{ do = "compressor", threshold_dbfs = 6.0 }', "(compressor): never acts"),
        ('{ do = "gain", gain_db = 0 }', "(gain): its settings change nothing"),
        ('{ do = "saturate", mix_pct = 0 }', "(saturate): its settings change nothing"),
        (
            '{ do = "eq", bands = [ { kind = "bell", freq_hz = 1000, gain_db = 0 } ] }',
            "(eq): its settings change nothing",
        ),
        (
            '{ do = "eq", bands = [ { kind = "low_shelf", freq_hz = 90, gain_db = 0 } ] }',
            "(eq): its settings change nothing",
        ),
    ],
)
def test_steps_that_do_nothing_are_noted_with_their_address(session, chainrun, step, said):
    found = notes(session, chainrun, step)
    said_of = [one for one in found if one.startswith("stems.kick.chain.")]
    assert len(said_of) == 1, found
    assert said in said_of[0]
    assert not notes(session, chainrun, step.replace("{ do", "{ bypass = true, do"))


@pytest.mark.parametrize(
    "step",
    [
        '{ do = "gate", threshold_dbfs = -30.0 }', '{ do = "compressor", threshold_dbfs = -30.0 }',
        '{ do = "width", mono_below_hz = 120 }', '{ do = "gain", gain_db = -1 }', '{ do = "limiter", ceiling_dbfs = -12 }',
        '{ do = "eq", bands = [ { kind = "bell", freq_hz = 900, gain_db = 0.5 } ] }',
    ],
)  # fmt: skip
def test_steps_that_act_are_not_noted(session, chainrun, step):
    stem = '{ do = "pan", pan_pct = 10 }, ' if "width" in step else ""
    assert not [one for one in notes(session, chainrun, stem + step) if "chain" in one]


def test_a_solo_says_nothing_about_shared_buses(session, chainrun):
    """A bus then gets a part of its stems: whether it acts on the whole is not known."""
    bus = TAIL.replace("[buses.kit]\n", '[buses.kit]\nchain = [ { do = "compressor", threshold_dbfs = 6.0 } ]\n')
    path = session.write(HEAD + bus)
    whole = chainrun("render", path, "-o", "out", "--json").json["warnings"]
    solo = chainrun("render", path, "-o", "out", "--only", "kick", "--json").json["warnings"]
    assert any("buses.kit" in one for one in whole), whole
    assert not [one for one in solo if "buses.kit" in one]


def test_a_stem_that_is_inaudible_is_noted(session, chainrun):
    found = notes(session, chainrun, "", "level_db = -60\n")
    assert any(one.startswith("stems.kick: inaudible: about") and "below the mix" in one for one in found), found
    assert not notes(session, chainrun, "", "level_db = -20\n")
    assert not notes(session, chainrun, "", "level_db = -60\nmute = true\n")
    # Stems outside a solo are not reported as missing.
    assert not [one for one in notes(session, chainrun, "", "level_db = -60\n", "--only", "pair") if "kick" in one]


def test_a_cached_render_says_it_again(session, chainrun):
    step = '{ do = "compressor", threshold_dbfs = 6.0 }'
    assert notes(session, chainrun, step) == notes(session, chainrun, step)
