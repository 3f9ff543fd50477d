"""`import chainrun`: what programs may use, and that its printed example runs."""

from __future__ import annotations

import inspect
import textwrap

import pytest
import soundfile

import chainrun as package
from chainrun import api
from tests import program

SONG = """grammar = 1
[stems.kick]
file = "kick.wav"
hit_level_dbfs = -3
to = "kit"
[buses.kit]
chain = [ { do = "compressor", threshold_dbfs = -30, attack_ms = 12 } ]
[[deliver]]
file = "mix.wav"
target_lufs = -30
[variants.loud]
"deliver.0.target_lufs" = -27
"""


def test_the_example_of_the_docstring_runs(session, capsys):
    """The README has the same example."""
    path = session.write(SONG)
    package.render(path, "earlier")
    (session.folder / "earlier" / "mix.wav").rename("before.wav")
    text = inspect.getdoc(api)
    example = textwrap.dedent("\n".join(line for line in text.splitlines() if line.startswith("    ")))
    exec(compile(example, "example", "exec"), {})
    loudness, reduction, verdict = capsys.readouterr().out.splitlines()
    assert float(loudness) == pytest.approx(-30, abs=0.1)
    assert float(reduction) > 1
    assert verdict.startswith(("differs", "no audible", "identical"))
    lines = [line for line in (session.root / "README.md").read_text().splitlines() if line]
    assert "\n".join(line for line in example.strip().splitlines() if line) in "\n".join(lines)


def test_every_name_works_twice_and_knows_what_it_is_given(session):
    path = session.write(SONG)
    assert set(package.__all__) <= set(dir(package))
    checked = package.check(path)
    assert checked.valid
    assert (len(checked.plan.nodes), checked.exit_code) == (3, 0)
    loud = package.load(path, variant="loud")
    louder = package.load(str(path), set={"deliver.0.target_lufs": -25, "stems.kick.invert": True})
    files = {}
    for name, opened in (("loud", loud), ("louder", louder)):
        result = package.render(opened, name, store="prints")
        assert result.failures == []
        files[name] = result.deliveries[0].file
    assert package.measure(files["loud"]).integrated_lufs == pytest.approx(-27, abs=0.1)
    for _ in range(2):  # a subpackage of the same name would take its place
        found = package.compare(files["loud"], files["louder"])
        assert found.record()["image"] == ["has inverted polarity"]
    assert found.gain_db == pytest.approx(-2, abs=0.05)
    assert package.compare(files["loud"], files["louder"], match=False).gain_db == 0


def test_errors_are_ours(session):
    with pytest.raises(package.ChainrunError) as caught:
        package.load(session.write('grammar = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "gaet" } ]\n'))
    assert caught.value.problems[0].line == 4
    checked = package.check(session.write('grammar = 1\n[stems.a]\nfile = "none.wav"\n'))
    assert (checked.valid, checked.exit_code) == (False, 4)
    with pytest.raises(package.ChainrunError, match="cannot hold"):
        package.load(session.write(SONG), set={"tempo_bpm": None})
    steps = [
        {"do": "gain", "gain_db": 1.5, "note": 'a, "b" = c'},
        {"do": "eq", "bands": [{"kind": "bell", "freq_hz": 90, "gain_db": 2}]},
    ]
    assert (
        package.load(session.write(SONG), set={"stems.kick.chain": steps}).recipe.stems["kick"].chain[0].gain_db == 1.5
    )
    with pytest.raises(package.ChainrunError, match="no such limit"):
        package.load(session.write(SONG), limits=["stemz=3"])
    with pytest.raises(package.ChainrunError):
        package.measure("none.wav")
    soundfile.write("five.wav", [[0.0] * 5] * 4800, 48000)
    with pytest.raises(package.ChainrunError, match="mono and stereo"):
        package.compare("five.wav", "five.wav")
    with pytest.raises(AttributeError, match="no attribute"):
        package.mix


def test_importing_it_costs_nothing():
    code = "import sys, chainrun; assert not {'numpy', 'pydantic', 'scipy', 'typer'} & {m.split('.')[0] for m in sys.modules}"
    assert program.run_code(code).code == 0


def test_a_plan_is_rendered_as_it_is(session):
    made = package.make_plan(session.write(SONG), only=["kick"], from_s=0.1, to_s=0.3)
    with pytest.raises(package.ChainrunError) as caught:
        package.render(made, "out", only=["kick"])
    assert caught.value.problems[0].code == package.Code.OPTIONS_CLASH
    assert package.render(made, "out").deliveries[0].file.endswith("mix.only-kick.0.1-0.3s.wav")


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: package.load("a\0b.recipe.toml"), "unusable-path"),
        (lambda: package.measure("x" * 300), "reading-or-writing-failed"),
        (lambda: package.render("song.recipe.toml", "x" * 300), "reading-or-writing-failed"),
        (lambda: package.load("song.recipe.toml", set={3: 1}), "bad-assignment"),
        (lambda: package.load("song.recipe.toml", set="a=b"), "bad-assignment"),
        (lambda: package.load("song.recipe.toml", set={"tempo_bpm": nested(5000)}), "bad-assignment"),
        (lambda: package.load("song.recipe.toml", set={"tempo_bpm": float("nan")}), None),
        (lambda: package.load("song.recipe.toml", overlays="none.toml"), "file-not-found"),
    ],
)
def test_mistakes_of_programs_have_codes(session, call, code):
    session.write(SONG)
    with pytest.raises(package.ChainrunError) as caught:
        call()
    assert code is None or caught.value.problems[0].code == code
    assert caught.value.problems[0].file != "command line"


def nested(depth):
    """A list in a list in a list …"""
    found = []
    for _ in range(depth):
        found = [found]
    return found
