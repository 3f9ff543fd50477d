"""The file of measurements: written by its command, one section at a time, each table once."""

from __future__ import annotations

import re

import pytest

from tests.bench import all as bench


def test_the_file_is_what_the_command_writes():
    text = bench.RESULTS.read_text()
    sections = bench.sections_of(text)
    assert list(sections) == list(bench.SECTIONS)
    assert bench.whole(sections) == text
    for name, section in sections.items():
        one = bench.SECTIONS[name]
        assert f"- command: `{one.told}`" in section
        assert re.search(r"^- date: \d{4}-\d\d-\d\d\n- machine: .+\n- versions: .+$", section, re.MULTILINE)


def test_each_table_is_there_once():
    heads = re.findall(r"^(\|.*\|)\n\| ---", bench.RESULTS.read_text(), re.MULTILINE)
    heads = [head for head in heads if head != "| asked | found |"]
    assert len(heads) == len(set(heads)) >= 7
    assert sum(head.startswith("| kernel |") for head in heads) == 1


def test_one_section_is_written_and_the_others_stay(tmp_path, monkeypatch):
    pytest.importorskip("numba", reason="the head of a section states its version; extra dev")
    into = tmp_path / "RESULTS.md"
    into.write_text(bench.RESULTS.read_text())
    monkeypatch.setattr(bench, "measured", lambda one, more=(): "| a thing | 3 of 3 |\nand a word\n")
    assert bench.main(["startup", "--into", str(into)]) == 0
    before, after = bench.sections_of(bench.RESULTS.read_text()), bench.sections_of(into.read_text())
    assert {name for name in before if before[name] != after[name]} == {"startup"}
    assert "| asked | found |\n| --- | --- |\n| a thing | 3 of 3 |\n\n```text\nand a word\n```\n" in after["startup"]
    assert bench.versions() in after["startup"]
    assert into.read_text().startswith(bench.HEAD)


def test_a_section_whose_bench_fails_stays(tmp_path, monkeypatch):
    into = tmp_path / "RESULTS.md"
    into.write_text(bench.RESULTS.read_text())
    monkeypatch.setattr(bench, "measured", lambda one, more=(): None)
    assert bench.main(["kernels", "--into", str(into)]) == 1
    assert into.read_text() == bench.RESULTS.read_text()


def test_an_unknown_section_is_refused(capsys):
    with pytest.raises(SystemExit):
        bench.main(["kernel"])
    assert "no section is called kernel; there are kernels, " in capsys.readouterr().err
