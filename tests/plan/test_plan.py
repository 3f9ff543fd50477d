"""The plan: rates, identities, mutes, solos and plain nodes."""

from __future__ import annotations

from dataclasses import replace

import soundfile

from chainrun.audiofile.read import hash_content
from chainrun.plan import build_plan
from chainrun.recipe import Overrides, open_recipe
from tests.songs import WHOLE


def test_the_most_common_rate_wins_and_ties_go_up(session):
    path = session.write('grammar = 1\n[stems.a]\nfile = "kick.wav"\n[stems.b]\nfile = "other.wav"\n')
    assert build_plan(open_recipe(path), hash_file=None).rate_hz == 48000


def test_a_node_hash_holds_what_determines_it(session):
    path = session.write(WHOLE)

    def hashes(**more):
        plan = build_plan(open_recipe(path, Overrides(**more)), hash_file=hash_content)
        return {node.name: node.identity for node in plan.nodes}

    before = hashes()
    assert hashes() == before
    fader = hashes(sets=["stems.other.level_db=-7"])
    assert {name for name in before if before[name] != fader[name]} == {"main"}, "a fader re-renders sums alone"
    note = hashes(sets=['stems.kick.note="new words"'])
    assert note == before
    chain = hashes(sets=["stems.kick.chain.0.range_db=20"])
    assert {n for n in before if before[n] != chain[n]} == {"kick", "snare", "kit", "hall", "main"}
    x, rate = soundfile.read("kick.wav")
    x[100] += 0.01
    soundfile.write("kick.wav", x, rate, subtype="FLOAT")
    changed = hashes()
    assert {n for n in before if before[n] != changed[n]} == {"kick", "snare", "kit", "hall", "main"}


def test_mute_only_and_keys(session):
    path = session.write(WHOLE.replace('file = "kick.wav"', 'file = "kick.wav"\nmute = true'))
    plan = build_plan(open_recipe(path))
    assert "kick" in [node.name for node in plan.nodes], "a muted stem still serves as a key"
    assert [one.node for one in plan.node("kit").inputs] == ["snare"]
    only = build_plan(open_recipe(path), only=["pair"])
    assert [one.node for one in only.node("main").inputs] == ["pair", "kit", "hall"]


def test_a_node_is_a_plain_description(session):
    import pickle

    plan = build_plan(open_recipe(session.write(WHOLE)), hash_file=hash_content)
    for node in plan.nodes:
        assert pickle.loads(pickle.dumps(node)) == node
        assert replace(node) == node
