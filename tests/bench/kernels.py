"""Kernels of the engine beside the same loops compiled with numba."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import numpy as np

from chainrun.dsp.ballistics import Branching, Decoupled, OnePole, time_constant
from chainrun.dsp.biquad import bell
from chainrun.dsp.cascade import Cascade
from chainrun.dsp.compression import Ballistics, SideChain, SideState
from chainrun.dsp.convolution import Convolver
from chainrun.dsp.gain_computer import DownwardCurve
from chainrun.dsp.gating import GateDetector, GateGain, GateState
from chainrun.dsp.limiting import LimiterKernel, limiting_interpolators
from chainrun.dsp.true_peak import Interpolator
from chainrun.loudness import Meter
from chainrun.loudness.k_weighting import k_weighting
from chainrun.units import LOG2_PER_DB
from tests.bench import compiled
from tests.signals import drums, noise

RATE = 48000
N = 61_440
BLOCKS = 6
REPEATS = 7


def seconds_of(run: Callable[[], object]) -> float:
    """Median CPU time of the thread."""
    run()
    taken = []
    for _ in range(REPEATS):
        began = time.thread_time()
        run()
        taken.append(time.thread_time() - began)
    return statistics.median(taken)


def blocks(x: np.ndarray) -> list[np.ndarray]:
    return [np.ascontiguousarray(x[..., k * N : (k + 1) * N]) for k in range(BLOCKS)]


ROWS: list[tuple[str, float, float]] = []


def row(name: str, ours: Callable[[], object], theirs: Callable[[], object], frames: int = N * BLOCKS) -> None:
    """Run both, and note nanoseconds a frame."""
    ROWS.append((name, seconds_of(ours) / frames * 1e9, seconds_of(theirs) / frames * 1e9))


def dynamics() -> None:
    total = N * BLOCKS
    signals = {"drums": drums(total), "noise": noise(total, 0.3), "tones": np.sin(np.arange(total) * 0.13) * 0.4}
    out = np.empty(N)
    attack, release = time_constant(8, RATE), time_constant(120, RATE)
    for name, x in signals.items():
        parts = blocks(x)
        if name != "tones":
            gate_row(name, parts)
            reduction = blocks(DownwardCurve(-20, 4, 6).reduction(np.maximum(np.abs(x), 1e-9)))
            smoother, decoupled = Branching(attack, release), Decoupled(attack, release)

            def ours(smoother=smoother, reduction=reduction):
                y = 0.0
                for part in reduction:
                    y = float(smoother.run(part, y)[-1])

            def theirs(reduction=reduction):
                y = 0.0
                for part in reduction:
                    y = compiled.branching(part, attack, release, y, out)

            row(f"branching smoother, {name}", ours, theirs)

            def ours_decoupled(kernel=decoupled, reduction=reduction):
                state = (0.0, 0.0)
                for part in reduction:
                    _, state = kernel.run(part, state)

            def theirs_decoupled(reduction=reduction):
                p = y = 0.0
                for part in reduction:
                    p, y = compiled.decoupled(part, attack, release, p, y, out)

            row(f"decoupled smoother, {name}", ours_decoupled, theirs_decoupled)
        compressor_row(name, parts, attack, release)
    pole = OnePole(release)
    parts = blocks(signals["noise"])

    def one_pole():
        y = 0.0
        for part in parts:
            y = float(pole.run(part, y)[-1])

    def one_pole_compiled():
        y = 0.0
        for part in parts:
            y = compiled.one_pole(part, release, y, out)

    row("one-pole", one_pole, one_pole_compiled)

    smooth_out = np.empty(N)

    # The gate compares the mean square with squared thresholds; neither side takes the root.
    def rms():
        y = 0.0
        for part in parts:
            smooth = pole.run_squared(part, y, smooth_out)
            y = float(smooth[-1])

    def rms_compiled():
        y = 0.0
        for part in parts:
            y = compiled.rms(part, release, y, out)

    row("RMS detector (mean square)", rms, rms_compiled)


def gate_row(name: str, parts: list[np.ndarray]) -> None:
    open_at, close_at = 10 ** (-30 / 20), 10 ** (-36 / 20)
    decay, attack, release = (time_constant(ms, RATE) for ms in (5, 0.3, 100))
    hold, lookahead = 2400, 192
    detector = GateDetector(open_at, close_at, decay, hold)
    gain = GateGain(-60 * LOG2_PER_DB, attack, release)
    out = np.empty(N)

    def ours():
        state, line = GateState(False, -1, -60 * LOG2_PER_DB), np.zeros(lookahead)
        for part in parts:
            events, is_open, until = detector.run(np.abs(part), state)
            _, factor, last = gain.run(events, N, state.is_open, state.gain)
            state = GateState(is_open, until, last)
            joined = np.concatenate([line, part])
            line = joined[N:]
            np.multiply(joined[:N], factor, out=out)

    def theirs():
        line = np.zeros(lookahead)
        for part in parts:
            compiled.gate(part, open_at, close_at, decay, hold, 60.0, attack, release, lookahead, line, out)

    row(f"gate, {name}", ours, theirs)


def compressor_row(name: str, parts: list[np.ndarray], attack: float, release: float) -> None:
    out = np.empty(N)
    chain = SideChain(DownwardCurve(-20, 4, 6), Ballistics(8, 120), RATE)

    def ours():
        last = SideState()
        for part in parts:
            reduction, last = chain.run(np.abs(part), last)
            if reduction is None:
                out[:] = part
            else:
                np.negative(reduction, out=reduction)
                np.exp2(reduction, out=reduction)
                np.multiply(part, reduction, out=out)

    def theirs():
        last = 0.0
        for part in parts:
            last = compiled.compressor(part, -20.0, 4.0, 6.0, attack, release, last, out)

    row(f"compressor, {name}", ours, theirs)


def filters() -> None:
    parts = blocks(noise(N * BLOCKS))
    out = np.empty(N)
    for count in (1, 2, 4, 6, 8):
        sections = np.array([bell(100.0 * 2**k, 3.0, 1.0, RATE) for k in range(count)])
        kernel = Cascade(sections)

        def ours(kernel=kernel):
            state = kernel.start_state(1)
            for part in parts:
                _, state = kernel.run(part[None], state)

        def theirs(sections=sections):
            state = np.zeros((len(sections), 2))
            for part in parts:
                compiled.biquads(part, sections, state, out)

        row(f"eq, {count} sections", ours, theirs)


def phases_of(between: Interpolator) -> np.ndarray:
    """The taps of each in-between phase."""
    return np.array([matrix[: between.n_taps, 0] for matrix in between._matrices])


def peaks() -> None:
    total = N * BLOCKS
    # As loud, and as seldom near its peak, as a mix is; dense: near its peak all the time.
    signals = {
        "mix": np.stack([drums(total, seed=1), drums(total, seed=2)]) * 0.6 + 0.05 * noise(total)[None],
        "dense": np.clip(np.stack([noise(total, 0.7, 1), noise(total, 0.7, 2)]), -1, 1),
        "idle": 0.05 * np.stack([noise(total, 1, 1), noise(total, 1, 2)]),
    }
    between = Interpolator()
    taps = phases_of(between)
    # The compiled limiter does the same job: it detects with the longer of the two interpolators.
    long_taps = phases_of(limiting_interpolators()[1])
    for name, x in signals.items():
        parts = blocks(x)
        release = time_constant(80, RATE)
        kernel = LimiterKernel(-3.0, 72, 0, release, true_peak=limiting_interpolators())

        def ours(parts=parts, kernel=kernel):
            state = kernel.start_state(2)
            for part in parts:
                _, _, state = kernel.run(part, state)

        def theirs(parts=parts, release=release):
            out = np.empty((2, N))
            for part in parts:
                compiled.limiter(part, long_taps, 10 ** (-3 / 20), 72, release, out)

        row(f"limiter with true peak, {name}", ours, theirs)
        if name == "idle":
            continue

        def meter(parts=parts):
            best = 0.0
            for part in parts:
                for channel in part:
                    best = between.maximum(channel, best)

        def meter_compiled(parts=parts):
            best = 0.0
            for part in parts:
                best = compiled.true_peak(part, taps, best)

        row(f"true-peak meter, {name}", meter, meter_compiled)
    parts = blocks(signals["mix"])

    def loudness():
        meter = Meter(RATE, 2, true_peak=False)
        for part in parts:
            meter.feed(part)

    def loudness_compiled():
        state, powers = np.zeros((2, 2, 2)), np.empty(N)
        for part in parts:
            compiled.k_meter(part, k_weighting(RATE), state, RATE // 10, powers)

    row("K-weighted meter, stereo", loudness, loudness_compiled)


def rooms() -> None:
    """A response of 1.2 s, mono to stereo; compiled: the same transforms, the multiply-add fused."""
    from scipy import fft

    length, parts = int(1.2 * RATE), blocks(noise(N * BLOCKS, 0.1))
    response = np.random.default_rng(0).standard_normal((2, length)) * 0.01
    kernel = Convolver(response)
    size, n_parts = kernel.partition, kernel.n_partitions
    padded = np.zeros((2, n_parts * size))
    padded[:, :length] = response
    spectra = fft.rfft(padded.reshape(2, n_parts, size), 2 * size)
    whole = N // size

    def ours():
        for part in parts:
            kernel.run(part)

    def theirs():
        history, before = np.zeros((n_parts - 1, size + 1), complex), np.zeros(size)
        out = np.empty((2, whole, size + 1), complex)
        for part in parts:
            rows = np.empty((whole, 2 * size))
            rows[:, size:] = part.reshape(whole, size)
            rows[0, :size] = before
            rows[1:, :size] = rows[:-1, size:]
            before = rows[-1, size:].copy()
            joined = np.concatenate([history, fft.rfft(rows, axis=-1)])
            compiled.multiply_add(joined, spectra, n_parts, out)
            history = joined[whole:].copy()
            fft.irfft(out, 2 * size, axis=-1)

    row("room of 1.2 s, mono to stereo", ours, theirs)


def steps() -> None:
    """Whole steps: the cost of lookahead, keys, links and a parallel mix (no compiled twin)."""
    from pydantic import TypeAdapter

    import chainrun.processors  # noqa: F401
    from chainrun.contract import Key, Stream, any_step
    from chainrun.runtime import ChainRunner

    x = np.stack([drums(N, seed=1), drums(N, seed=2)])
    x *= 0.7 / np.abs(x).max()
    key = Key.model_validate({"from": ["other"]})
    compressor = {"do": "compressor", "threshold_dbfs": -20, "ratio": 4}
    variants = {
        "compressor step, stereo": compressor,
        "… lookahead 4 ms": {**compressor, "lookahead_ms": 4},
        "… key with filters": {**compressor, "key": {"from": ["other"]}, "key_low_cut_hz": 100},
        "… link 50 %": {**compressor, "stereo_link_pct": 50},
        "… parallel mix 50 %": {**compressor, "mix_pct": 50},
        "… two-stage release": {**compressor, "release_shape": "two_stage"},
        "… auto release": {**compressor, "auto_release": True},
        "expander step, stereo": {"do": "expander", "threshold_dbfs": -30},
        "hits step, stereo": {"do": "hits", "onset_db": 4},
        "dynamic_eq step, 1 band": {"do": "dynamic_eq", "bands": [{"freq_hz": 5000, "threshold_dbfs": -30}]},
        "echo step, 180 ms, cuts in the loop": {"do": "echo", "time_ms": 180, "low_cut_hz": 200, "high_cut_hz": 5000},
        "declip step, nothing clipped": {"do": "declip", "threshold_dbfs": 0},
        "declip step, hits clipped": {"do": "declip", "threshold_dbfs": -6},
        "split step, 3 empty bands": {"do": "split", "crossovers_hz": [200, 3000], "bands": [{}, {}, {}]},
    }
    print("| whole step, stereo drums | ns a stereo frame |\n| --- | --- |")
    for name, numbers in variants.items():
        step = TypeAdapter(any_step()).validate_python(numbers)
        chain = ChainRunner([step], Stream(RATE, 2, key_channels={key: 1}))
        sidechain = {key: x[:1].copy()}
        print(f"| {name} | {seconds_of(lambda c=chain, h=sidechain: c.run(x, h)) / N * 1e9:.1f} |")


def oversampling() -> None:
    """The step's usual form, as one kernel among the others."""
    from tests.bench.saturation import compiled_ns, kernel_of

    kernel, x = kernel_of("tanh", 4, False), noise(N, 0.3)
    ROWS.append(("tanh at 4 times the rate", seconds_of(lambda: kernel.run(x)) / N * 1e9, compiled_ns(seconds_of)))


def saturation() -> None:
    """Cost of each form of saturation, and the level of its aliases."""
    from tests.bench.saturation import TONES_HZ, table, tones

    print("| 5 kHz driven 12 dB, 48 kHz | ns a frame | aliases, whole band | to 20 kHz |\n| --- | --- | --- | --- |")
    for name, ns, whole, to_20k in table(seconds_of):
        print(f"| {name} | {ns:.1f} | {whole:.0f} dB | {to_20k:.0f} dB |")
    print(f"\n| aliases of, dB | {' | '.join(f'{hz} Hz' for hz in TONES_HZ)} |\n|{' --- |' * (len(TONES_HZ) + 1)}")
    for curve, levels in tones():
        print(f"| {curve} | {' | '.join(f'{level:.1f}' for level in levels)} |")


def eq_shape() -> None:
    """How far bells and shelves are from their analog prototypes."""
    from tests.bench.eq_shape import table

    table()


GROUPS = {"dynamics": dynamics, "filters": filters, "peaks": peaks, "oversampling": oversampling, "rooms": rooms}
"""Rows of the one table of kernels."""
TABLES = {"steps": steps, "saturation": saturation, "eq_shape": eq_shape}
"""Tables of their own."""


def main(arguments: list[str]) -> None:
    """Print the table of kernels, or its rows of some groups, or another table; --markdown as tests/bench/RESULTS.md has it."""
    chosen = [name for name in arguments if name in TABLES]
    for name in chosen:
        TABLES[name]()
    if chosen:
        return
    for name in [one for one in arguments if one in GROUPS] or GROUPS:
        GROUPS[name]()
    if "--markdown" in arguments:
        print("| kernel | ns a frame | compiled | ratio |\n| --- | --- | --- | --- |")
        for name, ours, theirs in ROWS:
            print(f"| {name} | {ours:.2f} | {theirs:.2f} | {ours / theirs:.2f} |")
        return
    print(f"{'kernel':<34} {'ns a frame':>10} {'compiled':>9} {'ratio':>6}")
    for name, ours, theirs in ROWS:
        print(f"{name:<34} {ours:10.2f} {theirs:9.2f} {ours / theirs:6.2f}")
