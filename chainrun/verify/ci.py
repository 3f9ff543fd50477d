"""Detects continuous integration."""

from __future__ import annotations

from collections.abc import Mapping

OFF = ("", "0", "false", "no", "off")
"""Values of the variable CI that mean no."""


def in_ci(environment: Mapping[str, str]) -> bool:
    """Whether the variable CI is set, as hosted runners do (common practice), most of them to `true`."""
    return environment.get("CI", "").strip().lower() not in OFF
