"""The contract suite: every promise of a processor, over every processor. Named <processor>-<promise>."""

from __future__ import annotations

import pickle
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from pydantic import TypeAdapter, ValidationError

import chainrun.processors  # noqa: F401
from chainrun.contract import Key, Runner, Stream, any_step, processors
from chainrun.contract.parameters import parameters
from chainrun.runtime import ChainRunner
from tests.signals import drums, in_pieces, noise

STEP = TypeAdapter(any_step())

N = 12000


@pytest.fixture(scope="module", autouse=True)
def response_file(tmp_path_factory):
    """The examples of steps that read a file find one."""
    import os

    import soundfile

    folder = tmp_path_factory.mktemp("responses")
    n = 3000
    soundfile.write(
        folder / "hall.wav",
        np.random.default_rng(0).standard_normal((n, 2)) * np.exp(-np.arange(n) / 500)[:, None],
        48000,
        subtype="FLOAT",
    )
    before = os.getcwd()
    os.chdir(folder)
    yield
    os.chdir(before)


CHEAPER = {"room": {"decay_s": 0.8}}
"""Settings for checks that may choose them: a stereo room of the example's 0.35 s is drawn many times."""
COSTLY_S = 0.3
"""Steps that take longer to start are tried at the ends of their ranges in mono."""


def step_of(do, **more):
    return STEP.validate_python({"do": do, **processors()[do].example, **CHEAPER.get(do, {}), **more})


@cache
def started(text, n_channels, rate):
    """A started runner, packed: whoever unpacks it has one of its own (check_pickles holds that they are the same)."""
    step = STEP.validate_json(text)
    return pickle.dumps(step.start(stream(n_channels, rate, step)))


def runner_of(step, n_channels, rate):
    return pickle.loads(started(step.model_dump_json(exclude_none=True, by_alias=True), n_channels, rate))


def stereo(n=N):
    return np.stack([drums(n), 0.7 * noise(n) + 0.2 * drums(n, seed=3)])


def channels_of(step):
    return [2] if step.needs_stereo else [1, 2]


def stream(n_channels=2, rate=48000, step=None):
    keys = step.listens_to() if step is not None else ()
    return Stream(rate, n_channels, tempo_bpm=120.0, key_channels=dict.fromkeys(keys, 1))


def run(step, x, sizes=(100000,), rate=48000, runner=None):
    runner = runner or runner_of(step, x.shape[0], rate)
    blocks = [runner.run(block, {}) for block in in_pieces(x, sizes)]
    return np.concatenate(blocks, axis=1), runner


def check_input_untouched(step):
    x = stereo()
    x.flags.writeable = False
    y, _ = run(step, x)
    assert not np.shares_memory(x, y)


def check_deterministic(step):
    one, other = (run(step, stereo(), runner=step.start(stream(step=step)))[0] for _ in range(2))
    assert np.array_equal(one, other)


def check_finite_on_extremes(step):
    for x in (np.zeros((2, N)), np.ones((2, N)), -np.ones((2, N)), np.full((2, N), 1e-310)):
        assert np.isfinite(run(step, x)[0]).all()
    if not step.needs_stereo:
        example = STEP.validate_python({"do": step.do, **type(step).example})
        assert np.isfinite(run(example, stereo()[:1])[0]).all(), "the example itself"


def check_extremes_of_its_numbers(step):
    """Every number at both ends of its range, the others as in the example: finite, at 8 and at 48 kHz."""
    kind = type(step)
    x = stereo(2500)
    for one in parameters(kind):
        field = kind.model_fields.get(one.key)
        for bound in [getattr(b, end, None) for b in (field.metadata if field else []) for end in ("ge", "le")]:
            if bound is None:
                continue
            base = {"do": step.do, **kind.example, **CHEAPER.get(step.do, {})}
            rivals = {"threshold_below_hits_db": "threshold_dbfs", "time_samples": "time_ms", "distance_m": "time_ms"}
            if rivals.get(one.key) in base:
                base.pop(rivals[one.key])
            try:
                extreme = STEP.validate_python({**base, one.key: bound})
            except ValidationError:
                continue  # it does not fit the example's other numbers, and is refused for that
            for rate in (8000, 48000):
                here = Stream(rate, 2, tempo_bpm=120.0, hit_level_dbfs=-6.0)
                costly = step.do == "room" or extreme.start_s(here) > COSTLY_S
                if costly and not step.needs_stereo:
                    here = replace(here, n_channels=1)
                if extreme.misfits(here):
                    continue
                runner = extreme.start(here)
                y = runner.run(x[: here.n_channels], {})
                assert np.isfinite(y).all(), (one.key, bound, rate)


def check_empty_and_single_frames(step):
    runner = runner_of(step, 2, 48000)
    assert runner.run(np.zeros((2, 0)), {}).shape == (runner.n_channels_out, 0)
    assert runner.run(np.zeros((2, 1)), {}).shape == (runner.n_channels_out, 1)


def check_channels_as_stated(step):
    for channels in channels_of(step):
        y, runner = run(step, stereo()[:channels])
        assert y.shape == (runner.n_channels_out, N)
        assert runner.n_channels_out == step.channels_out(channels)


def check_rates(step):
    for rate in (44100, 48000, 96000, 192000):
        y, _ = run(step, stereo(), rate=rate)
        assert np.isfinite(y).all()


def check_pieces_equal_whole(step):
    x = stereo()
    whole = run(step, x)[0]
    for sizes in ([1000], [4096], [1, 333, 7, 2048]):
        assert np.abs(run(step, x, sizes)[0] - whole).max() <= 1e-9


def check_bypass_is_exact(step):
    x = stereo()
    chain = ChainRunner([step.model_copy(update={"bypass": True})], stream(step=step))
    assert np.array_equal(chain.run(x, {}), x)
    assert chain.latency_frames == chain.tail_frames == 0


def check_mix_0_is_the_input(step):
    x = stereo()
    chain = ChainRunner([step.model_copy(update={"mix_pct": 0.0})], stream(step=step))
    y = chain.run(np.concatenate([x, np.zeros((2, chain.latency_frames))], axis=1), {})[:, chain.latency_frames :]
    if step.do == "split":  # its dry part turns with the crossovers
        turned = step_of("split", bands=[{}] * len(step.bands))
        assert np.array_equal(y, run(turned, x)[0])
    else:
        assert np.array_equal(y, x)


def check_tail_as_stated(step):
    impulse = np.zeros((2, 400_000))
    impulse[:, 0] = 1.0
    y, runner = run(step, impulse)
    after = np.abs(y[:, runner.latency_frames + runner.tail_frames + 1 :])
    assert after.max(initial=0.0) <= np.abs(y).max() * 10 ** (-90 / 20)  # design: until 90 dB down


def check_latency_as_stated(step):
    if step.unity is None:
        pytest.skip("the processor has no settings that leave its input alone")
    unity = STEP.validate_python({"do": step.do, **step.unity})
    x = np.zeros((2, N))
    x[:, 5000] = 0.5
    y, runner = run(unity, x)
    assert int(np.abs(y[0]).argmax()) - runner.latency_frames == 5000


def check_unity_is_unity(step):
    if step.unity is None:
        pytest.skip("the processor has no settings that leave its input alone")
    unity = STEP.validate_python({"do": step.do, **step.unity})
    x = np.clip(stereo(), -0.9, 0.9)
    y, runner = run(unity, x)
    late = runner.latency_frames
    assert np.abs(y[:, late:] - x[:, : N - late]).max() <= 1e-12


def check_superposition(step):
    if not step.linear:
        pytest.skip("the processor is not linear")
    a, b = stereo(), stereo()[::-1].copy()
    assert np.abs(run(step, a + 2.0 * b)[0] - run(step, a)[0] - 2.0 * run(step, b)[0]).max() <= 1e-9


def check_pickles(step):
    x = stereo()
    again = pickle.loads(pickle.dumps(step))
    assert again == step
    runner = pickle.loads(pickle.dumps(step.start(stream(step=step))))
    assert np.array_equal(runner.run(x, {}), run(step, x)[0])


def check_described_plainly(step):
    """A plan carries steps as plain data, for workers."""
    assert STEP.validate_python(step.model_dump(exclude_none=True, by_alias=True)) == step


def check_declared(step):
    kind = type(step)
    assert (kind.__doc__ or "").strip(), "a processor says what it does"
    assert kind.example, "a processor shows a typical use"
    for one in parameters(kind):
        assert one.help or one.key == "do", f"{one.key} has no help"


def check_refuses(step):
    kind = type(step)
    base = {"do": step.do, **kind.example}
    for one in parameters(kind):
        field = kind.model_fields.get(one.key)
        if field is None:
            continue
        for bad in (float("nan"), float("inf"), [], object()):
            with pytest.raises(ValidationError):
                STEP.validate_python({**base, one.key: bad if one.key != "name" else 3})
        bounds = [getattr(b, "ge", None) for b in field.metadata] + [getattr(b, "le", None) for b in field.metadata]
        for bound in (b for b in bounds if b is not None):
            low = any(getattr(b, "ge", None) == bound for b in field.metadata)
            with pytest.raises(ValidationError) as refused:
                STEP.validate_python({**base, one.key: bound - 1 if low else bound + 1})
            assert "than or equal" in str(refused.value)
    with pytest.raises(ValidationError):
        STEP.validate_python({**base, "no_such_key": 1})


CHECKS = [value for name, value in list(globals().items()) if name.startswith("check_")]


@pytest.mark.parametrize(
    ("do", "check"),
    [(do, check) for do in processors() for check in CHECKS],
    ids=[f"{do}-{check.__name__.removeprefix('check_')}" for do in processors() for check in CHECKS],
)
def test_processor(do, check):
    check(step_of(do))


@pytest.mark.parametrize("do", [do for do, kind in processors().items() if "key" in kind.model_fields])
@pytest.mark.parametrize("key_channels", [1, 2])
@pytest.mark.parametrize("own_channels", [1, 2])
def test_keyed_steps_take_any_key(do, key_channels, own_channels):
    step = step_of(do, key={"from": ["other"]}, lookahead_ms=2.0)
    key = Key.model_validate({"from": ["other"]})
    runner = step.start(Stream(48000, own_channels, key_channels={key: key_channels}))
    x = stereo()[:own_channels]
    assert np.isfinite(runner.run(x, {key: np.zeros((key_channels, N))})).all()
    louder = step.start(Stream(48000, own_channels, key_channels={key: key_channels}))
    y = louder.run(x, {key: np.ones((key_channels, N))})
    assert y.shape == x.shape
    assert not np.array_equal(y, runner.run(x, {key: np.zeros((key_channels, N))}))


def test_a_key_is_delayed_by_the_latency_gathered_before_it():
    """An impulse in the key opens the gate at the impulse in the signal, whatever steps come before the gate."""
    key = Key.model_validate({"from": ["other"]})
    limiter = step_of("limiter", ceiling_dbtp=0.0, lookahead_ms=3.0)
    gate = step_of(
        "gate",
        threshold_dbfs=-20.0,
        range_db=120.0,
        attack_ms=0.01,
        hold_ms=1,
        release_ms=0.1,
        lookahead_ms=0.0,
        key={"from": ["other"]},
    )
    chain = ChainRunner([limiter, gate], Stream(48000, 1, key_channels={key: 1}))
    assert chain.latency_frames > 100
    x, sidechain = np.full((1, N), 0.25), np.zeros((1, N))
    sidechain[0, 6000] = 0.5
    y = chain.run(x, {key: sidechain})[0, chain.latency_frames :]
    assert int(np.flatnonzero(y > 0.1)[0]) in range(6000, 6003)  # within the attack of 0.01 ms


def test_mono_laid_into_stereo_keeps_the_level_of_the_pan_law():
    """Where a step makes stereo, the dry part is in both sides at -3.01 dB (design, section 3)."""

    class Doubler(Runner):
        n_channels_out, latency_frames, tail_frames = 2, 0, 0

        def run(self, x, keys):
            return np.zeros((2, x.shape[1]))

    step = step_of("gain", mix_pct=50.0)
    kind = type(step)
    original = kind.start
    try:
        kind.start = lambda self, stream: Doubler()
        chain = ChainRunner([step], Stream(48000, 1))
    finally:
        kind.start = original
    y = chain.run(np.ones((1, 10)), {})
    assert y == pytest.approx(np.full((2, 10), 0.5 * np.sqrt(0.5)))
