"""The log has every event."""

from __future__ import annotations

import json
from pathlib import Path

from tests.songs import KIT

ALL = {"kick", "snare", "pair", "kit", "hall", "main"}


def test_the_log_has_every_event(session, chainrun):
    path = session.write(KIT)
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
