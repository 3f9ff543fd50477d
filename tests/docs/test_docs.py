"""Generated pages are current, and every example in them is valid."""

from __future__ import annotations

import json
from pathlib import Path

from tests.signals import ROOT


def test_explain_describes_every_processor(chainrun):
    from chainrun.contract import processors

    overview = chainrun("explain").out
    for word in processors():
        assert word in overview
        told = chainrun("explain", word)
        assert max(map(len, told.out.splitlines())) <= 80
        assert "Example:" in told.out
    assert json.loads(chainrun("explain", "--json").out)["words"]["gate"]["keys"]


def test_the_schema_is_current_and_describes_the_demo(chainrun):
    assert chainrun("schema", "--check", ROOT / "recipes").code == 0


def test_the_reference_page_has_every_processor_and_its_examples_are_valid(session, chainrun):
    import re

    from chainrun.contract import processors
    from chainrun.docs.reference import reference_text

    text = reference_text()
    assert (ROOT / "recipes" / "REFERENCE.md").read_text() == text
    examples = dict(re.findall(r"### ([a-z_]+)\n(?:(?!###)[\s\S])*?```toml\n([\s\S]*?)\n```", text))
    assert set(examples) == set(processors())
    for name, example in examples.items():
        if name in ("convolve", "dynamic_eq") or "key" in example:
            continue
        stem = "pair.wav" if name in ("balance", "width") else "kick.wav"
        path = session.write(
            f'grammar = 1\ntempo_bpm = 120\n[stems.kick]\nfile = "{stem}"\nhit_level_dbfs = -6\n{example}\n'
        )
        ran = chainrun("check", path)
        assert ran.code == 0, (name, ran.err)


def test_the_examples_of_readme_and_guide_are_valid(session, chainrun):
    import re
    import shutil

    (example,) = re.findall(r"```toml\n(.*?)```", (ROOT / "README.md").read_text(), flags=re.S)
    guide = (ROOT / "chainrun" / "docs" / "guide.md").read_text()
    deliveries, jobs = re.findall(r"```toml\n(.*?)```", guide, flags=re.S)
    assert jobs.startswith("grammar = 1")
    folder = session.folder / "stems"
    folder.mkdir()
    for name in ("kick", "snare_under", "over_left", "over_right"):
        shutil.copy(ROOT / "fixtures" / "tithe-barn" / f"{name}.flac", folder)
    shutil.copytree(ROOT / "recipes" / "presets", session.folder / "presets")
    ran = chainrun("check", session.write(example, "kit"))
    assert (ran.code, ran.err) == (0, "")
    path = session.write(example.partition("[[deliver]]")[0] + deliveries, "deliveries")
    ran = chainrun("check", path)
    assert (ran.code, ran.err) == (0, "")
    from chainrun.batch.jobs import open_jobs

    songs = session.folder / "songs"
    songs.mkdir()
    shutil.copy("kit.recipe.toml", songs / "reel.recipe.toml")
    Path("night.jobs.toml").write_text(jobs)
    assert [job.name for job in open_jobs(Path("night.jobs.toml")).jobs] == ["reel", "reel-loud"]
