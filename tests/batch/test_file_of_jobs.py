"""Files of jobs: zero bytes are reported, values may be tables."""

from __future__ import annotations

from pathlib import Path

from chainrun.batch.jobs import open_jobs


def test_a_zero_byte_in_a_file_of_jobs(session, chainrun):
    Path("night.jobs.toml").write_text('grammar = 1\n[[job]]\nrecipes = ["a\\u0000b.recipe.toml"]\n')
    ran = chainrun("batch", "night.jobs.toml")
    assert (ran.code, "zero byte" in ran.err) == (3, True), ran.err


def test_values_of_a_job_may_be_tables_also_those_that_older_files_write_as_numbers(tmp_path):
    file = tmp_path / "night.jobs.toml"
    (tmp_path / "a.recipe.toml").write_text('recipe = 1\n[stems.s]\nfile = "s.wav"\n')
    file.write_text(
        'jobs = 1\n[defaults]\nset = { "stems.s.sends.hall" = -11 }\n[[job]]\nrecipes = ["a.recipe.toml"]\n'
        'set = { "stems.s.level_points_db" = [[0, 1]] }\n'
    )
    (job,) = open_jobs(file).jobs
    assert list(job.overrides.sets) == [
        'stems.s.sends.hall={ level_db = -11, tap = "after_fader" }',
        "stems.s.ride=[{ at_s = 0, gain_db = 1 }]",
    ]
