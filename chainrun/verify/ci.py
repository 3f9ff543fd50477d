"""Whether this runs where nobody looks."""

from __future__ import annotations

from collections.abc import Mapping

OFF = ("", "0", "false", "no", "off")
"""Words by which somebody may say that it is not so."""


def in_ci(environment: Mapping[str, str]) -> bool:
    """Hosted runners set the variable CI (common practice), most of them to `true`."""
    return environment.get("CI", "").strip().lower() not in OFF
