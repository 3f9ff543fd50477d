"""A render says how loud each wet signal is against its dry one: on screen, in JSON, on its page and for [expect]."""

from __future__ import annotations

import re

import numpy as np
import pytest
import soundfile

import chainrun.processors  # noqa: F401
from chainrun.contract import Stream
from chainrun.runtime import ChainRunner
from tests.signals import noise
from tests.steps import RATE, STEP

ECHO = {"do": "echo", "time_ms": 20, "feedback_pct": 0}


def wet_levels(x, *steps, law=-3.0):
    chain = ChainRunner([STEP.validate_python(step) for step in steps], Stream(RATE, x.shape[0], pan_law_db=law))
    chain.run(np.pad(x, ((0, 0), (0, chain.latency_frames + chain.tail_frames))), {})
    return chain.wet_levels()


@pytest.mark.parametrize("mix", [0.0, 25.0, 100.0])
@pytest.mark.parametrize("wet_db", [0.0, -6.0])
def test_one_repeat_is_as_loud_as_the_sound_whatever_its_mix(mix, wet_db):
    (found,) = wet_levels(noise(RATE)[None], {**ECHO, "wet_db": wet_db, "mix_pct": mix})
    assert found.wet_to_dry_db == pytest.approx(wet_db, abs=1e-6)
    assert (found.step, found.named, found.do, found.mix_pct) == ("0", "0", "echo", mix)


@pytest.mark.parametrize(("law", "expected"), [(-3.0, 0.0), (-4.5, 1.5), (-6.0, 3.0)])
def test_the_dry_level_of_a_mono_signal_is_that_of_the_pan_law(law, expected):
    """One repeat at the left alone has the signal's energy; the dry one in both sides has 2 * 10^(law / 10) of it."""
    (found,) = wet_levels(noise(RATE)[None], {**ECHO, "ping_pong": True}, law=law)
    assert found.wet_to_dry_db == pytest.approx(expected, abs=0.02)


def test_repeats_add_up_as_energies():
    """A geometric series: 1 / (1 - 0.5^2) of white noise, whose repeats are unrelated."""
    (found,) = wet_levels(noise(4 * RATE)[None], {**ECHO, "feedback_pct": 50})
    assert found.wet_to_dry_db == pytest.approx(-10 * np.log10(1 - 0.25), abs=0.1)


def test_steps_inside_others_are_found_by_their_addresses():
    inner = {**ECHO, "name": "slap"}
    split = {"do": "split", "crossovers_hz": [500], "bands": [{}, {"chain": [inner]}]}
    branches = {"do": "branches", "name": "both", "branches": [{}, {"chain": [split]}]}
    (found,) = wet_levels(noise(RATE)[None], branches)
    assert found.step == "0.branches.1.chain.0.bands.1.chain.0"
    assert found.named == "both.branches.1.chain.0.bands.1.chain.slap"
    assert found.wet_to_dry_db == pytest.approx(0.0, abs=1e-3)


def test_silence_has_no_level():
    (silent,) = wet_levels(np.zeros((1, RATE)), ECHO)
    assert (silent.wet_to_dry_db, silent.reason) == (None, "its input is silent")
    assert silent.quantities() == {}
    assert silent.record()["wet_to_dry_db"] is None


RECIPE = """grammar = 1
[stems.kick]
file = "kick.wav"
chain = [ { do = "echo", name = "slap", time_ms = 20, feedback_pct = 0, wet_db = -6, mix_pct = 25 } ]
[[deliver]]
file = "mix.wav"
[expect]
"stems.kick.chain.slap.wet_to_dry_db" = { max = -5.9, min = -6.1 }
"""


def test_a_render_reports_it_everywhere(session, chainrun):
    path = session.write(RECIPE)
    ran = chainrun("render", path, "-o", "out", "--report", "page")
    assert ran.code == 0, ran.err
    rows = [line.split() for line in ran.out.splitlines()]
    assert ["kick", "slap", "(echo)", "-6.0", "25"] in rows
    words = re.sub(r"<[^>]*>", " ", (session.folder / "page" / "index.html").read_text())
    table = words[words.index("Wet levels of kick, before wet and dry are mixed") :].split()
    at = table.index("slap")
    assert table[at : at + 3] == ["slap", "-6.0", "25"]
    for _ in range(2):  # as rendered, and as kept
        found = chainrun("render", path, "-o", "out", "--json").json["nodes"]["kick"]["wet_levels"]
        assert found[0].pop("wet_to_dry_db") == pytest.approx(-6.0, abs=0.01)
        address = {"step": "chain.0", "named": "chain.slap", "do": "echo"}
        assert found == [{**address, "mix_pct": 25.0, "reason": None}]
    assert chainrun("verify", path, "--accept").code == 0
    assert chainrun("verify", path).code == 0
    session.write(RECIPE.replace("max = -5.9, min = -6.1", "max = -7"))
    assert chainrun("verify", path).code == 1


def test_an_expectation_of_a_silent_stem_is_an_error_with_its_reason(session, chainrun):
    soundfile.write("kick.wav", np.zeros(24000), 48000)
    path = session.write(RECIPE)
    ran = chainrun("render", path, "-o", "out")
    assert ran.code == 0, ran.err
    assert ["kick", "slap", "(echo)", "-", "25"] in [line.split() for line in ran.out.splitlines()]
    ran = chainrun("verify", path, "--accept")
    ran = chainrun("verify", path)
    assert ran.code != 0
    assert "its input is silent" in ran.err + ran.out
    assert "Traceback" not in ran.err


def test_an_expectation_of_a_step_without_a_wet_level_says_what_there_is(session, chainrun):
    other = RECIPE.replace(
        'do = "echo", name = "slap", time_ms = 20, feedback_pct = 0, wet_db = -6,', 'do = "gain", name = "slap",'
    )
    path = session.write(other)
    chainrun("verify", path, "--accept")
    ran = chainrun("verify", path)
    assert ran.code != 0
    assert "no readings" in ran.err
