"""The hash of a JSON document: the same for the same content, whatever the order of its keys."""

from __future__ import annotations

import hashlib
import json

SHORT = 12
"""Digits of a hash that is read by a person or stands in a file's name."""


def json_hash(document: object) -> str:
    """SHA-256 of a JSON document, as 64 hexadecimal digits. What JSON has no word for counts as its text."""
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def short_hash(document: object) -> str:
    """The first digits of `json_hash`."""
    return json_hash(document)[:SHORT]
