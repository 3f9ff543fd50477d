"""Helpers of the tests of this folder."""

from __future__ import annotations

import html.parser

import pytest

pytest.importorskip("matplotlib")
pytest.importorskip("jinja2")
RATE = 48000
SONG = """recipe = 1
title = "A song"
note = "How it was done."
[stems.kick]
file = "kick.wav"
to = "kit"
note = "The one at the shell."
chain = [
  { do = "gate", name = "door", threshold_db = -30, range_db = 40, note = "keeps the bleed out" },
  { do = "eq", name = "tone", bands = [ { kind = "bell", freq_hz = 1000, gain_db = 6 }, { kind = "low_cut", freq_hz = 60 } ] },
  { do = "saturate", name = "bite", drive_db = 12 },
]
[stems.pair]
file = "pair.wav"
level_db = -9
sends = { hall = -12 }
[stems.under]
file = "snare.wav"
to = "kit"
chain = [ { do = "compressor", name = "held", threshold_db = -30, ratio = 4, key = { from = ["kick"] } } ]
[buses.kit]
chain = [ { do = "compressor", name = "glue", threshold_db = -20, ratio = 3 } ]
[buses.hall]
chain = [ { do = "delay", time_ms = 20 } ]
[[deliver]]
file = "mix.wav"
target_lufs = -20
[variants.dry]
"stems.pair.level_db" = -30
"""


class Reader(html.parser.HTMLParser):
    """What a page holds: tags with their attributes, and its tables by caption."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.tables, self._caption, self._cell = [], {}, None, None
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag == "table":
            self._rows = []
        elif tag == "tr":
            self._rows.append([])
        elif tag in ("td", "th", "caption"):
            self._cell = ""

    def handle_data(self, data):
        if self._cell is not None:
            self._cell += data

    def handle_endtag(self, tag):
        if tag == "caption":
            self._caption, self._cell = self._cell, None
        elif tag in ("td", "th"):
            self._rows[-1].append(self._cell.strip())
            self._cell = None
        elif tag == "table":
            self.tables[self._caption.strip()] = [row for row in self._rows if row]
