"""Hash of a JSON document: the same for the same content, in whatever order its keys are."""

from __future__ import annotations

import hashlib
import json

SHORT = 12
"""Digits of a hash for people and for file names."""


def json_hash(document: object) -> str:
    """SHA-256 of a JSON document, as 64 hexadecimal digits. Other objects count as their text."""
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def short_hash(document: object) -> str:
    """First 12 digits of `json_hash`."""
    return json_hash(document)[:SHORT]
