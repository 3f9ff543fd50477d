"""Damaged journals and records of a cull end in clear errors."""

from __future__ import annotations

import pytest

DAMAGE = [
    "[" * 50000, "{}", "[]", "null", '{"grammar": 1}', '{"operations": 3, "libraries": []}',
    '{"operations": [3], "libraries": []}', '{"operations": [{"file": 3}], "libraries": []}',
    '{"operations": [{"file": "a.preset.toml", "target": "b"}], "libraries": ["."]}',
    '{"operations": [{"file": "a\\u0000.overlay.toml", "text": "x"}], "libraries": []}',
    '{"operations": [], "libraries": [7]}', '{"operations": [{"text": "x"}], "libraries": []}', "\xff\xfe",
    '{"direction": "sideways", "operations": [], "earlier": [], "libraries": [], "plan_hash": "", "record": ""}',
    '{"direction": "undo", "operations": [{}], "earlier": [], "libraries": ["."], "plan_hash": "", "record": ""}',
    '{"direction": "undo", "operations": [], "earlier": [], "libraries": [], "plan_hash": 3, "record": ""}',
]  # fmt: skip


@pytest.mark.parametrize("text", DAMAGE)
def test_damaged_journals_and_records(tmp_path, monkeypatch, chainrun, text):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "presets").mkdir()
    (tmp_path / "presets" / "a.preset.toml").write_text(
        'grammar = 1\nsince = 2020\nchain = [ { do = "gain", gain_db = 1 } ]\n'
    )
    plan = tmp_path / "2026.cull.toml"
    plan.write_text('grammar = 1\nyear = 2026\npresets_dirs = ["presets"]\n')
    for name in (".2026.cull.toml.cull-journal.json", "2026.cull.undo.json"):
        (tmp_path / name).write_bytes(text.encode("latin-1"))
        for command in (("cull", "apply", plan), ("cull", "undo", plan)):
            ran = chainrun(*command)
            assert ran.code in (0, 3, 5), (command, ran.code, ran.err)
            assert "defect" not in ran.err
        (tmp_path / name).unlink(missing_ok=True)
    (tmp_path / "presets" / ".cull-in-progress").write_bytes(b"\xff\0x")
    ran = chainrun("cull", "apply", plan)
    assert (ran.code, "defect" in ran.err) == (0, False), ran.err
