"""A signal at any moment ends the program quietly, and leaves no part, run or child."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
import soundfile

from tests import program
from tests.signals import noise


@pytest.mark.parametrize("workers", [1, 2])
@pytest.mark.parametrize(("sent", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_an_interrupted_render_leaves_nothing(session, store, sent, code, workers):
    import numpy as np
    import soundfile

    soundfile.write("long.wav", np.random.default_rng(0).standard_normal(48000 * 240) * 0.1, 48000)
    slow = ", ".join(["{ do = 'hits', onset_db = 1 }"] * 8)
    session.write("grammar = 1\n" + "".join(f'[stems.{x}]\nfile = "long.wav"\nchain = [ {slow} ]\n' for x in "ab"))
    process = program.start("render", "song.recipe.toml", "-o", "out", "--workers", workers, start_new_session=True)
    program.wait_until(lambda: list(store.glob("parts/*")), "the first print")
    children = program.family_of(process.pid)
    assert len(children) >= (workers if workers > 1 else 0)
    os.killpg(process.pid, sent) if sent == signal.SIGINT else process.send_signal(sent)  # as a terminal does it
    ran = program.ended(process)
    said = ran.err
    assert ran.code == code, said
    assert not list(store.glob("prints/??/*")), "it ended in the middle of what it had begun"
    assert "Traceback" not in said
    assert list(Path("out").iterdir()) == []
    assert list(store.glob("parts/*")) == list(store.glob("runs/*")) == []
    program.wait_for_the_end_of(children)


SONG = 'grammar = 1\n[stems.kick]\nfile = "kick.wav"\n[[deliver]]\nfile = "mix.wav"\n'


@pytest.fixture
def heavy(session):
    soundfile.write("kick.wav", noise(48000 * 10, 0.05), 48000)
    step = '{ do = "saturate" }'
    text = SONG.replace("[[del", f"chain = [ {step}, {step}, {step} ]\n[[del", 1).replace(
        '"mix.wav"', '"mix.wav"\nsidecar = true'
    )
    for name in ("a", "b", "c"):
        session.write(text, name)
    Path("night.jobs.toml").write_text('grammar = 1\n[[job]]\nrecipes = ["[abc].recipe.toml"]\n')
    return session.folder


def parts(folder):
    return list(Path(folder).rglob(".*.part"))


MOMENTS = [
    ("import", 1),
    ("import", 150),
    ("import", 300),
    ("write", 1),
    ("worker", 1),
    ("worker", 2),
    ("write", 5),
    ("remove", 2),
]
"""Points of a batch: during imports, before the first file, at the start of workers, between files, near the end."""


@pytest.mark.parametrize("signum", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_at_any_moment_leaves_no_part_and_no_noise(heavy, store, signum):
    """From the program's own start to the end of a batch, with workers."""
    for point in MOMENTS:
        ran = program.ended(
            program.start_hit_at(*point, signum, "batch", "night.jobs.toml", "--workers", 2, "--no-store")
        )
        assert "Exception ignored" not in ran.err, (point, ran.err)
        assert "Traceback" not in ran.err, (point, ran.err)
        # A signal after the last job finds nothing to end.
        assert ran.code in ((0, 130, 143) if point == MOMENTS[-1] else (130, 143)), (point, ran.code, ran.err)
        assert not parts(heavy), (point, parts(heavy))


def test_a_signal_while_the_program_is_imported_is_quiet():
    """A person changes their mind: no traceback."""
    code = (
        "import os, signal, sys, threading\n"
        "import chainrun.cli.start as start\n"
        "class Slow:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'chainrun.cli.app':\n"
        "            os.kill(os.getpid(), signal.SIGINT)\n"
        "sys.meta_path.insert(0, Slow())\n"
        "start.run()\n"
    )
    ran = program.run_code(code)
    assert (ran.code, ran.err, ran.out) == (130, "", "")
