"""Cascades of second-order sections over consecutive blocks, without a loop over samples.

A cascade is a linear system with d = 2 * sections states. Over rows of B frames with the state s[k] before each row

    Y = [X | S] @ [[T], [O]]      s[k + 1] = s[k] M + x[k] G

where T holds the impulse response (upper triangular), O the response to each state, G the contribution of each frame of
a row to the state at its end, and M the change of a state over a row of silence. The recurrence of the states is solved
in groups of 8 rows by one product, the groups' own states in groups of 8 again, until a handful is left.
The states are those of the transposed direct form II, section by section, as in scipy.signal.sosfilt.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from chainrun.dsp.arrays import Array
from chainrun.dsp.scratch import Scratch

ROW = 32
GROUP = 8
NEAR_DC = 1e-3
"""Poles closer to z = 1 make states so large that products lose more than 1e-9: such cascades run in sosfilt."""


class _States:
    """Recurrence of the states, s[k + 1] = s[k] M + u[k], for many k at once."""

    def __init__(self, matrix: Array, depth: int):
        d = matrix.shape[0]
        self._d, self._matrix = d, matrix
        powers = [np.eye(d)]
        for _ in range(GROUP):
            powers.append(powers[-1] @ matrix)
        # From (state before the group, its inputs) to the states before each of its rows.
        self._inside = np.zeros(((GROUP + 1) * d, GROUP * d))
        for row in range(GROUP):
            columns = slice(row * d, (row + 1) * d)
            self._inside[:d, columns] = powers[row]
            for earlier in range(row):
                self._inside[(earlier + 1) * d : (earlier + 2) * d, columns] = powers[row - 1 - earlier]
        # From a group's inputs to their contribution to the state after it.
        self._left = np.concatenate([powers[GROUP - 1 - row] for row in range(GROUP)])
        self._deeper = _States(powers[GROUP], depth - 1) if depth > 1 else None

    def run(self, inputs: Array, state: Array) -> tuple[Array, Array]:
        """States before each of n inputs, shape (n, d), and the state after the last."""
        n, d = inputs.shape
        groups = n // GROUP
        if self._deeper is None or groups < 2:
            out = np.empty((n, d))
            for k in range(n):
                out[k] = state
                state = state @ self._matrix + inputs[k]
            return out, state
        whole = groups * GROUP
        grouped = inputs[:whole].reshape(groups, GROUP * d)
        before, after = self._deeper.run(grouped @ self._left, state)
        out = np.empty((n, d))
        np.matmul(np.concatenate([before, grouped], axis=1), self._inside, out=out[:whole].reshape(groups, GROUP * d))
        for k in range(whole, n):
            out[k] = after
            after = after @ self._matrix + inputs[k]
        return out, after


@dataclass(frozen=True)
class _Matrices:
    """Matrices of a cascade over one row of ROW frames."""

    product: Array
    """From a row and the state before it to its output: T above O."""
    gather: Array
    """From a row to its contribution to the state after it: G."""
    states: _States
    after: Array
    """From a row and the state before it to the state after each of its frames."""


TAIL_DB = -90.0
MAX_TAIL_FRAMES = 1 << 22


class Cascade:
    """Cascade of second-order sections, rows (b0, b1, b2, 1, a1, a2). The caller keeps the state."""

    def __init__(self, sections: Array):
        self.sections = np.ascontiguousarray(np.atleast_2d(sections))
        self._d = 2 * len(self.sections)
        self._matrices: _Matrices | None = None
        self._scratch = Scratch()
        poles = np.concatenate([np.roots(row[3:]) for row in self.sections])
        self._slowest = float(np.abs(poles).max(initial=0.0))
        self._by_rows = poles.size == 0 or float(np.abs(1.0 - poles).min()) > NEAR_DC

    def _prepare(self) -> _Matrices:
        """Matrices from the responses to a unit in each frame of a row and in each state."""
        d = self._d
        asked = ROW + d
        states = np.zeros((d, asked))
        states[:, ROW:] = np.eye(d)
        product, after = np.zeros((asked, ROW)), np.zeros((ROW, asked, d))
        for n in range(ROW):
            x = np.zeros(asked)
            x[n] = 1.0
            for k, (b0, b1, b2, _, a1, a2) in enumerate(self.sections):
                first, second = states[2 * k], states[2 * k + 1]
                y = b0 * x + first
                states[2 * k], states[2 * k + 1] = b1 * x - a1 * y + second, b2 * x - a2 * y
                x = y
            product[:, n] = x
            after[n] = states.T
        gather, passing = after[-1, :ROW], after[-1, ROW:]
        return _Matrices(product, np.ascontiguousarray(gather), _States(passing, depth=4), after)

    def start_state(self, n_channels: int) -> Array:
        """The state at rest, shape (n_channels, 2 * n_sections)."""
        return np.zeros((n_channels, self._d))

    def run(self, x: Array, state: Array) -> tuple[Array, Array]:
        """Filter a block of shape (n_channels, n_frames); returns the output and the state after it."""
        y = np.empty_like(x)
        state = state.copy()
        for channel, row in enumerate(x):
            state[channel] = self._run_channel(row, state[channel], y[channel])
        return y, state

    def _run_channel(self, x: Array, state: Array, out: Array) -> Array:
        if x.size == 0:
            return state
        if not self._by_rows:
            from scipy.signal import sosfilt  # its import takes half a second and more; few filters need it

            out[:], after = sosfilt(self.sections, x, zi=state.reshape(-1, 2))
            return np.asarray(after).reshape(self._d)
        if self._matrices is None:
            self._matrices = self._prepare()
        m, n_rows = self._matrices, x.size // ROW
        whole = n_rows * ROW
        if n_rows:
            rows = x[:whole].reshape(n_rows, ROW)
            before, state = m.states.run(rows @ m.gather, state)
            work = self._scratch.take("cascade", n_rows * (ROW + self._d)).reshape(n_rows, ROW + self._d)
            work[:, :ROW] = rows
            work[:, ROW:] = before
            np.matmul(work, m.product, out=out[:whole].reshape(n_rows, ROW))
        rest = x.size - whole
        if rest:
            last = np.zeros(ROW + self._d)
            last[:rest], last[ROW:] = x[whole:], state
            out[whole:] = (last @ m.product)[:rest]
            state = last @ m.after[rest - 1]
        return state

    def tail_frames(self) -> int:
        """Frames after which the impulse response stays 90 dB below its peak."""
        n = 4096
        while True:
            impulse = np.zeros((1, n))
            impulse[0, 0] = 1.0
            level = np.abs(self.run(impulse, self.start_state(1))[0][0])
            over = np.flatnonzero(level > level.max() * 10.0 ** (TAIL_DB / 20.0))
            last = int(over[-1]) if over.size else 0
            if last < n // 2 or n >= MAX_TAIL_FRAMES:
                # A steady tone or DC decays with the slowest pole, however small that is in the impulse response.
                ring = TAIL_DB / 20.0 * np.log(10.0) / np.log(self._slowest) if 0.0 < self._slowest < 1.0 else 0.0
                return min(MAX_TAIL_FRAMES, max(last, int(ring) + 1))
            n *= 4
