"""A zero byte in a jobs file is reported."""

from __future__ import annotations

from pathlib import Path


def test_a_zero_byte_in_a_file_of_jobs(session, chainrun):
    Path("night.jobs.toml").write_text('grammar = 1\n[[job]]\nrecipes = ["a\\u0000b.recipe.toml"]\n')
    ran = chainrun("batch", "night.jobs.toml")
    assert (ran.code, "zero byte" in ran.err) == (3, True), ran.err
