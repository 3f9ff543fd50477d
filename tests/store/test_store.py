"""Nothing is rendered twice, a change renders what is downstream of it, and damage is noticed."""

from __future__ import annotations

import os
import re
import time
from pathlib import Path

import pytest
import soundfile

from chainrun.errors import AudioError
from chainrun.recipe import open_recipe
from chainrun.store.prints import read_footer
from chainrun.store.store import Store
from tests import program
from tests.signals import noise
from tests.songs import KIT, hashes, made, render_opened

ALL = {"kick", "snare", "pair", "kit", "hall", "main"}


def test_nothing_is_rendered_twice(session, store):
    """With a room, which costs a second to make: a cached print saves that, too."""
    assert "echo" in KIT
    path = session.write(re.sub(r"{ do = \"echo\".*? }", '{ do = "room", decay_s = 0.8 }', KIT))
    first, fresh = made(path, store)
    assert fresh == ALL
    again, fresh = made(path, store, "other")
    assert fresh == set()
    assert hashes(again) == hashes(first)
    first_record, record = first.record(), again.record()
    for name, node in record["nodes"].items():
        for key in ("measured", "readings", "latency_frames", "identity"):
            assert node[key] == first_record["nodes"][name][key], (name, key)
    assert record["warnings"] == first_record["warnings"]
    assert hashes(made(path, None, "third")[0]) == hashes(first), "kept or not: the same bits"


@pytest.mark.parametrize(
    ("change", "rendered"),
    [
        ("stems.kick.chain.squash.ratio=3", {"kick", "kit", "main"}),
        ("stems.snare.level_db=-4", {"kit", "hall", "main"}),
        ("stems.pair.level_db=-4", {"main"}),
        ("stems.pair.pan_pct=30", {"main"}),
        ("stems.pair.ride=[{at_s=0.0,gain_db=0.0},{at_s=0.2,gain_db=-6.0}]", {"main"}),
        ("stems.snare.sends.hall=-6", {"hall", "main"}),
        ("stems.kick.trim_db=-1", {"kick", "snare", "kit", "hall", "main"}),
        ("buses.kit.chain.0.threshold_dbfs=-16", {"kit", "main"}),
        ("stems.kick.note=louder", set()),
        ("deliver.0.target_lufs=-22", set()),
    ],
)
def test_a_change_renders_what_is_downstream_of_it(session, store, change, rendered):
    path = session.write(KIT)
    made(path, store)
    from chainrun.recipe import Overrides

    result = render_opened(open_recipe(path, Overrides(sets=(change,))), Path("out"), store=store)
    assert {node.name for node in result.nodes if not node.from_store} == rendered
    alone = render_opened(open_recipe(path, Overrides(sets=(change,))), Path("alone"))
    assert hashes(result) == hashes(alone)


def test_names_in_readings_are_the_recipes_own(session, store):
    made(session.write(KIT), store)
    result, _ = made(session.write(KIT.replace('"squash"', '"grip"')), store)
    assert [one.named for node in result.nodes for one in node.readings if node.name == "kick"] == ["chain.grip"]


def test_other_content_of_the_same_size_and_time_is_noticed(session, store):
    path = session.write(KIT)
    old = time.time() - 1000
    os.utime("kick.wav", (old, old))
    first, _ = made(path, store)
    data = bytearray(Path("kick.wav").read_bytes())
    data[20000:21000] = bytes(1000)
    begun = os.stat("kick.wav").st_ctime_ns

    def changed():
        """The inode's clock has advanced, which nobody can set."""
        Path("kick.wav").write_bytes(bytes(data))
        os.utime("kick.wav", (old, old))
        return os.stat("kick.wav").st_ctime_ns != begun

    program.wait_until(changed, "the next tick of the clock")
    second, fresh = made(path, store)
    assert fresh == {"kick", "snare", "kit", "hall", "main"}
    assert hashes(second) != hashes(first)


def test_hashes_of_stems_are_cached_except_of_fresh_files(session, store, monkeypatch):
    kept = Store(store)
    first = kept.hash_file(Path("kick.wav"))
    assert list(store.glob("hashes/??/*")) == [], "it may change again within a tick of the clock"
    monkeypatch.setattr("chainrun.store.store.FRESH_S", -1.0)
    assert kept.hash_file(Path("kick.wav")) == first
    monkeypatch.setattr("chainrun.store.store.hash_content", lambda path: pytest.fail("read again"))
    assert kept.hash_file(Path("kick.wav")) == first


def test_a_file_that_changes_while_it_is_rendered_is_an_error(session, store, monkeypatch):
    from chainrun.engine import work

    real = work.render_node

    def slow(*arguments, **options):
        done = real(*arguments, **options)
        soundfile.write("kick.wav", noise(24000, seed=9), 48000, subtype="FLOAT")
        return done

    monkeypatch.setattr(work, "render_node", slow)
    with pytest.raises(AudioError, match="changed during the render"):
        made(session.write(KIT), store)
    assert list(store.glob("parts/*")) == []
    assert not Path("out/mix.wav").exists()


@pytest.mark.parametrize("damage", ["flip", "cut", "empty", "document", "footer"])
@pytest.mark.parametrize("node", ["main", "kick"])
def test_damaged_prints_are_rendered_again(session, store, damage, node):
    path = session.write(KIT)
    first, _ = made(path, store)
    place = Store(store).path_of(next(one.identity for one in first.nodes if one.name == node))
    data = bytearray(place.read_bytes())
    audio = read_footer(place).audio_bytes
    if damage == "flip":
        data[audio // 2] ^= 1
    elif damage == "cut":
        del data[audio // 2 : audio // 2 + 4]
    elif damage == "empty":
        data.clear()
    elif damage == "document":
        data[audio + 20] ^= 1
    else:
        data[-1] ^= 1
    place.write_bytes(bytes(data))
    second, fresh = made(path, store)
    assert node in fresh
    assert hashes(second) == hashes(first)
    assert made(path, store)[1] == set()
