"""The store keeps prints, workers make them, and nothing is ever lost, mixed up or half-written."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from chainrun.delivery import RenderOptions, render
from chainrun.errors import AudioError, Problem, ResourceError, UsageError
from chainrun.recipe import open_recipe
from chainrun.store.prints import read_footer
from chainrun.store.store import Store, limit_gb
from tests.signals import drums, noise
from tests.store.parts import RECIPE, hashes, made

ALL = {"kick", "snare", "pair", "kit", "hall", "main"}


def test_nothing_is_rendered_twice(session, store):
    path = session.write(RECIPE)
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
        ("stems.pair.level_points_db=[[0.0,0.0],[0.2,-6.0]]", {"main"}),
        ("stems.snare.sends.hall=-6", {"hall", "main"}),
        ("stems.kick.trim_db=-1", {"kick", "snare", "kit", "hall", "main"}),
        ("buses.kit.chain.0.threshold_db=-16", {"kit", "main"}),
        ("stems.kick.note=louder", set()),
        ("deliver.0.target_lufs=-22", set()),
    ],
)
def test_a_change_renders_what_is_downstream_of_it(session, store, change, rendered):
    path = session.write(RECIPE)
    made(path, store)
    from chainrun.recipe import Overrides

    result = render(open_recipe(path, Overrides(sets=(change,))), Path("out"), RenderOptions(store=store))
    assert {node.name for node in result.nodes if not node.from_store} == rendered
    alone = render(open_recipe(path, Overrides(sets=(change,))), Path("alone"))
    assert hashes(result) == hashes(alone)


def test_names_in_readings_are_the_recipes_own(session, store):
    made(session.write(RECIPE), store)
    result, _ = made(session.write(RECIPE.replace('"squash"', '"grip"')), store)
    assert [one.named for node in result.nodes for one in node.readings if node.name == "kick"] == ["chain.grip"]


def test_other_content_under_the_same_size_and_time_is_seen(session, store):
    path = session.write(RECIPE)
    old = time.time() - 1000
    os.utime("kick.wav", (old, old))
    first, _ = made(path, store)
    time.sleep(0.02)
    data = bytearray(Path("kick.wav").read_bytes())
    data[20000:21000] = bytes(1000)
    Path("kick.wav").write_bytes(bytes(data))
    os.utime("kick.wav", (old, old))
    second, fresh = made(path, store)
    assert fresh == {"kick", "snare", "kit", "hall", "main"}
    assert hashes(second) != hashes(first)


def test_hashes_of_stems_are_kept_but_not_of_fresh_files(session, store, monkeypatch):
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
    with pytest.raises(AudioError, match="changed while it was rendered"):
        made(session.write(RECIPE), store)
    assert list(store.glob("parts/*")) == []
    assert not Path("out/mix.wav").exists()


@pytest.mark.parametrize("damage", ["flip", "cut", "empty", "document", "footer"])
@pytest.mark.parametrize("node", ["main", "kick"])
def test_damaged_prints_are_rendered_again(session, store, damage, node):
    path = session.write(RECIPE)
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


@pytest.mark.parametrize("workers", [3])
def test_any_number_of_workers_makes_the_same_bits(session, store, tmp_path_factory, workers):
    path = session.write(RECIPE)
    alone, _ = made(path, store)
    other, fresh = made(path, tmp_path_factory.mktemp("other"), "out2", workers=workers)
    assert fresh == ALL
    assert hashes(other) == hashes(alone)
    one, two = alone.record(), other.record()
    for name in ALL:
        assert one["nodes"][name]["readings"] == two["nodes"][name]["readings"]
        assert one["nodes"][name]["measured"] == two["nodes"][name]["measured"]


def test_an_error_in_a_worker_is_told_like_any_other(session, store):
    bad = np.full(24000, 0.1, dtype=np.float32)
    bad[100] = np.nan
    soundfile.write("kick.wav", bad, 48000, subtype="FLOAT")
    with pytest.raises(AudioError, match="frame 100"):
        made(session.write(RECIPE), store, workers=2)


# -- housekeeping --------------------------------------------------------------------------------------------


def test_pruning_takes_the_least_recently_used(session, store, chainrun):
    path = session.write(RECIPE)
    first, _ = made(path, store)
    kept = Store(store)
    for i, node in enumerate(["snare", "pair", "kick", "kit", "hall", "main"]):
        at = time.time() - 86400 * (10 - i)
        os.utime(kept.path_of(next(one.identity for one in first.nodes if one.name == node)), (at, at))
    total = sum(one.n_bytes for one in kept.kept())
    dropped = kept.prune(keep_gb=(total - 1) / 1e9)
    assert [one.identity for one in dropped] == [next(one.identity for one in first.nodes if one.name == "snare")]
    assert len(kept.prune(older_than_days=7.5)) == 2
    assert chainrun("store", "info", "--json").json["prints"] == 3
    ran = chainrun("store", "prune", "--keep-gb", 0)
    assert (ran.code, "3 prints dropped" in ran.out) == (0, True)
    assert chainrun("store", "prune").code == 0  # what killed renders left, and nothing else
    assert hashes(made(path, store)[0]) == hashes(first)


def test_what_a_running_render_uses_stays(session, store):
    first, _ = made(session.write(RECIPE), store)
    kept = Store(store)
    held = next(one.identity for one in first.nodes if one.name == "kit")
    with kept.run([held]) as run:
        part = kept.part_of(run, held)
        part.touch()
        assert len(Store(store).prune(keep_gb=0)) == 5
        assert [one.identity for one in kept.kept()] == [held]
        assert part.exists()
    assert not part.exists()
    assert len(kept.prune(keep_gb=0)) == 1


def test_the_limit_holds_after_a_render(session, store, monkeypatch):
    monkeypatch.setenv("CHAINRUN_STORE_GB", "0.0004")
    result, _ = made(session.write(RECIPE), store)
    assert result.deliveries
    assert sum(one.n_bytes for one in Store(store).kept()) <= 400_000
    monkeypatch.setenv("CHAINRUN_STORE_GB", "much")
    with pytest.raises(ResourceError, match="no number"):
        limit_gb()


def test_store_check_finds_bit_flips(session, store, chainrun):
    made(session.write(RECIPE), store)
    assert chainrun("store", "check").code == 0
    victim = Store(store).kept()[0].path
    data = bytearray(victim.read_bytes())
    data[100] ^= 4
    victim.write_bytes(bytes(data))
    ran = chainrun("store", "check")
    assert (ran.code, "1 prints damaged" in ran.out) == (1, True)
    assert chainrun("store", "check").code == 0


# -- stretches and the log -----------------------------------------------------------------------------------


def test_a_stretch_of_kept_prints_is_exact(session, store):
    soundfile.write("kick.wav", drums(48000 * 8) * 0.5, 48000, subtype="FLOAT")
    text = RECIPE.replace('file = "mix.wav"', 'file = "mix.wav"\nbits = 32')
    path = session.write(text)
    made(path, store)
    result, fresh = made(path, store, from_s=2.5, to_s=4.0)
    assert fresh == set()
    assert Path(result.deliveries[0].file).name == "mix.2.5-4s.wav"
    whole, _ = soundfile.read("out/mix.wav")
    part, _ = soundfile.read("out/mix.2.5-4s.wav")
    assert np.array_equal(part, whole[120000:192000])
    assert not result.failures


def test_a_stretch_without_prints_is_rendered_from_before_it(session, store):
    soundfile.write("kick.wav", drums(48000 * 12) * 0.5, 48000, subtype="FLOAT")
    text = RECIPE.replace('file = "mix.wav"\ntarget_lufs = -20', 'file = "mix.wav"\nbits = 32')
    path = session.write(text)
    result, _ = made(path, store, "part", from_s=8.0, to_s=9.5)
    assert any("rendered from 5 s before it" in warning for warning in result.warnings)
    _, fresh = made(path, store, "part", from_s=8.0, to_s=9.5)
    assert fresh == set(), "stretches are kept, too"
    made(path, None, "whole")
    whole, _ = soundfile.read("whole/mix.wav")
    part, _ = soundfile.read("part/mix.8-9.5s.wav")
    assert part.shape == (72000, 2)
    assert np.abs(part - whole[384000:456000]).max() < 1e-4 * np.abs(whole).max()


def test_fades_keep_the_sessions_time_in_a_stretch(session, store):
    soundfile.write("ones.wav", np.full(48000 * 12, 0.5), 48000, subtype="FLOAT")
    path = session.write(
        'recipe = 1\n[stems.a]\nfile = "ones.wav"\nchain = [ { do = "fade", out_from_s = 8.0, out_to_s = 8.0 } ]\n[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    made(path, store, from_s=7.5, to_s=8.5)
    part, _ = soundfile.read("out/mix.7.5-8.5s.wav")
    assert int(np.flatnonzero(part[:, 0])[-1]) == 23999


@pytest.mark.parametrize(("from_s", "to_s"), [(5.0, 3.0), (100.0, 101.0), (-1.0, 1.0)])
def test_a_stretch_that_is_none(session, store, from_s, to_s):
    with pytest.raises(UsageError, match="no stretch"):
        made(session.write(RECIPE), store, from_s=from_s, to_s=to_s)


def test_the_log_tells_every_event(session, chainrun):
    path = session.write(RECIPE)
    for _ in range(2):
        assert chainrun("render", path, "-o", "out", "--log", "log/render.jsonl").code == 0
    records = [json.loads(line) for line in Path("log/render.jsonl").read_text().splitlines()]
    runs = list(dict.fromkeys(record["run"] for record in records))
    assert len(runs) == 2
    for run, hit in zip(runs, (False, True), strict=True):
        events = [record for record in records if record["run"] == run]
        assert (events[0]["event"], events[-1]["event"]) == ("start", "end")
        ends = [record for record in events if record["event"] == "node_end"]
        assert {record["node"] for record in ends} == ALL
        assert all(record["from_store"] is hit for record in ends)
        assert all(record["frames"] >= 24000 for record in ends)
        begins = [record["node"] for record in events if record["event"] == "node_begin"]
        assert set(begins) == (set() if hit else ALL)
        if not hit:
            assert all(record["peak_memory_mb"] > 10 and record["seconds"] > 0 for record in ends)
    Path("kick.wav").write_bytes(b"nonsense")
    assert chainrun("render", path, "-o", "out", "--log", "log/render.jsonl").code == 4
    last = json.loads(Path("log/render.jsonl").read_text().splitlines()[-1])
    assert (last["event"], last["exit_code"]) == ("error", 4)


def test_errors_travel_between_processes():
    import pickle

    error = pickle.loads(pickle.dumps(ResourceError([Problem("a", key="b"), Problem("c")])))
    assert [problem.text() for problem in error.problems] == ["b  a", "c"]
    assert error.exit_code == 5
