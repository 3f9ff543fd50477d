"""`convolve`: places of responses, mistakes in them, their levels and hashes."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

import chainrun.processors  # noqa: F401
from tests.signals import noise


def test_convolve_in_a_recipe(session, chainrun):
    rng = np.random.default_rng(0)
    response = rng.standard_normal((4000, 2)) * np.exp(-np.arange(4000) / 700)[:, None]
    soundfile.write("hall.wav", response, 48000, subtype="FLOAT")
    path = session.write(
        'grammar = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "convolve", file = "hall.wav", normalise = "none" } ]\n'
        '[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
    )
    assert chainrun("render", path, "-o", "out").code == 0
    y, _ = soundfile.read("out/mix.wav")
    x, _ = soundfile.read("kick.wav")
    expected = np.stack([np.convolve(x, response[:, side]) for side in (0, 1)]).T
    assert np.abs(y[:24000] - expected[:24000]).max() < 1e-4 * np.abs(expected).max()


def test_a_response_stays_found_from_a_preset_and_in_a_resolved_recipe(session, chainrun):
    (session.folder / ".chainrun-root").touch()
    for name in ("presets/rooms", "elsewhere"):
        (session.folder / name).mkdir(parents=True)
    soundfile.write("presets/rooms/hall.wav", noise(2000), 48000)
    (session.folder / "presets" / "rooms" / "hall.preset.toml").write_text(
        'grammar = 1\nchain = [ { do = "convolve", file = "hall.wav", mix_pct = 20 } ]\n'
    )
    path = session.write('grammar = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { preset = "rooms/hall" } ]\n')
    first = chainrun("render", path, "-o", "out", "--json").json["deliveries"][0]["pcm_sha256"]
    assert chainrun("resolve", path, "--write", "elsewhere/flat.recipe.toml").code == 0
    found = chainrun("render", "elsewhere/flat.recipe.toml", "-o", "out", "--json").json
    assert found["deliveries"][0]["pcm_sha256"] == first


def test_the_responses_content_belongs_to_the_hash(session):
    from chainrun.audiofile.read import hash_content
    from chainrun.plan import build_plan
    from chainrun.recipe import open_recipe

    path = session.write(
        'grammar = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "branches", branches = [ { chain = [ { do = "convolve", file = "hall.wav" } ] } ] } ]\n'
    )
    found = set()
    for seed in (1, 2):
        soundfile.write("hall.wav", noise(2000, seed=seed), 48000)
        found.add(build_plan(open_recipe(path), hash_file=hash_content).node("a").identity)
    assert len(found) == 2


@pytest.mark.parametrize(("write", "said"), [(None, "there is no such file"), (25.0, "the response is too long")])
def test_a_response_that_cannot_be_used(session, chainrun, write, said):
    if write:
        soundfile.write("hall.wav", np.zeros(int(48000 * write)) + 0.01, 48000)
    path = session.write(
        'grammar = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "convolve", file = "hall.wav" } ]\n'
    )
    ran = chainrun("check", path)
    assert (ran.code, said in ran.err, ":4:" in ran.err) == (4, True, True), ran.err


def test_a_response_at_another_rate_keeps_its_level_and_is_reported(session, chainrun):
    """A smooth average of 20 ms: the same at every rate."""
    for rate in (24000, 48000, 96000):
        soundfile.write("hall.wav", np.hanning(rate // 50 + 1) * 100.0 / rate, rate, subtype="DOUBLE")
        path = session.write(
            'grammar = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "convolve", file = "hall.wav", normalise = "none" } ]\n'
            '[[deliver]]\nfile = "mix.wav"\nbits = 32\n'
        )
        ran = chainrun("render", path, "-o", f"out{rate}", "--json")
        told = any(f"converted from {rate} to 48000 Hz" in note for note in ran.json["warnings"])
        assert told == (rate != 48000)
    mixes = {rate: soundfile.read(f"out{rate}/mix.wav")[0][:24000] for rate in (24000, 48000, 96000)}
    for rate in (24000, 96000):
        assert np.abs(mixes[rate] - mixes[48000]).max() < 0.02 * np.abs(mixes[48000]).max()


def test_a_bypassed_response_needs_no_file_and_a_silent_one_is_reported(session, chainrun):
    chain = (
        'grammar = 1\n[stems.a]\nfile = "kick.wav"\nchain = [ { do = "convolve", file = "hall.wav", bypass = %s } ]\n'
    )
    path = session.write(chain % "true")
    assert chainrun("check", path).code == 0
    assert chainrun("render", path, "-o", "out").code == 0
    soundfile.write("hall.wav", np.zeros(1000), 48000)
    path = session.write(chain % "false")
    ran = chainrun("render", path, "-o", "out")
    assert (ran.code, "the response is silent" in ran.err) == (4, True)
    bad = np.full(1000, 0.1)
    bad[500] = np.nan
    soundfile.write("hall.wav", bad, 48000, subtype="FLOAT")
    ran = chainrun("render", path, "-o", "out")
    assert (ran.code, "frame 500" in ran.err, "hall.wav" in ran.err) == (4, True, True)
