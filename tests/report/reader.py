"""Reads pages: tags with their attributes, and tables by caption."""

from __future__ import annotations

import html.parser

import pytest

pytest.importorskip("matplotlib")
pytest.importorskip("jinja2")


class Reader(html.parser.HTMLParser):
    """Contents of a page: tags with their attributes, and tables by caption."""

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
