"""Notes, cautions and failures: three headings, three words, three shapes, never in one list."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import soundfile

import tests.report.reader  # noqa: F401  (skips where the extra is missing)
from chainrun.report.content import HEADINGS, Page, Section, Text, listed
from chainrun.report.page import PagePlace, write_page
from tests.signals import drums

WORDS = {"failure": "Failure", "caution": "Caution", "note": "Note", "passed": "Passed"}
LOUD = """grammar = 1
rate_hz = 48000
[stems.kick]
file = "loud.wav"
chain = [ { do = "gate", threshold_dbfs = -90 } ]
[[deliver]]
file = "mix.wav"
target_lufs = -4
"""


def sections(text):
    """The marked paragraphs of each section by its heading: kind, word and shape of each."""
    found = {}
    for part in re.split(r"<h[23] ", text)[1:]:
        heading = re.search(r"<bdi>(.*?)</bdi>", part)[1]
        marks = re.findall(
            r'<p class="(note|caution|failure|passed)"><span class="sign">(<svg.*?</svg>) (\w+)</span>',
            part,
            flags=re.S,
        )
        found[heading] = [(kind, word, shape) for kind, shape, word in marks]
        assert len(marks) == len(re.findall(r'<p class="(?:note|caution|failure|passed)"', part))
    return found


def test_each_kind_has_its_word_and_its_shape(tmp_path):
    blocks = [Text("x", kind) for kind in WORDS]
    text = write_page(Page("t", "", [Section("s", blocks)]), PagePlace.of(tmp_path / "p.html")).read_text()
    marks = sections(text)["s"]
    assert [(kind, word) for kind, word, _ in marks] == [*WORDS.items()]
    assert len({shape for _, _, shape in marks}) == len(WORDS)
    styles = re.search(r"<style>(.*?)</style>", text, flags=re.S)[1]
    borders = [
        re.search(rf"\n\.{kind}{{(border[^}}]*)}}", styles)[1].split("var(")[0] for kind in ("caution", "failure")
    ]
    assert "dashed" in borders[0] and "solid" in borders[1] and borders[1].startswith("border:")


def test_a_render_lists_each_kind_under_its_own_heading(session, chainrun):
    soundfile.write("loud.wav", drums(44100 * 2, rate=44100) * 0.5, 44100, subtype="PCM_16")
    ran = chainrun(
        "render",
        session.write(LOUD),
        "-o",
        "out",
        "--report",
        "p",
        "--json",
    )
    found = sections(Path("p/index.html").read_text())
    for kind, heading in HEADINGS.items():
        assert found[heading], heading
        assert {(one, word) for one, word, _ in found[heading]} == {(kind, WORDS[kind])}
    n = sum(len(found[heading]) for heading in HEADINGS.values())
    assert n == len(ran.json["failures"]) + len(ran.json["warnings"])
    assert [*found].index("Failures") < [*found].index("Cautions") < [*found].index("Delivered files")


def test_a_survey_separates_cautions_from_notes(session, chainrun):
    soundfile.write("kick.wav", np.clip(soundfile.read("kick.wav")[0] + 0.1, -1, 1), 48000, subtype="PCM_24")
    path = session.write('grammar = 1\n[stems.kick]\nfile = "kick.wav"\n')
    assert chainrun("survey", path, "--report", "s.html").code == 0
    assert {kind for kind, _, _ in sections(Path("s.html").read_text())["Cautions"]} == {"caution"}
    soundfile.write("kick.wav", 0.1 * np.sin(0.05 * np.arange(96000)), 48000, subtype="PCM_24")
    assert chainrun("survey", path, "--report", "s.html").code == 0
    assert {kind for kind, _, _ in sections(Path("s.html").read_text())["Cautions"]} == {"passed"}


def test_there_is_no_heading_without_a_list():
    assert listed("caution", []) == []
    (section,) = listed("caution", ["a", "b"])
    assert section.title == "Cautions" and [one.kind for one in section.blocks] == ["caution", "caution"]
