"""Runs second-order sections over consecutive blocks, without a loop over samples.

A cascade is a linear system with d = 2 * sections states. Over rows of B frames with the state s[k] before each row

    Y = [X | S] @ [[T], [O]]      s[k + 1] = s[k] M + x[k] G

where T holds the impulse response (upper triangular), O the answer to each state, G what each frame of a row leaves in
the state at its end, and M what a state becomes over a row of silence. The recurrence of the states is solved in
groups of 8 rows by one product, the groups' own states in groups of 8 again, until a handful is left.
The states are those of the transposed direct form II, section by section, as scipy.signal.sosfilt has them; it makes
the matrices, and runs what is too short for them.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import sosfilt

from chainrun.dsp.arrays import Array
from chainrun.dsp.scratch import Scratch

ROW = 32
GROUP = 8
SHORT = 1024
"""Below this many frames sosfilt is the faster one."""
NEAR_DC = 1e-3
"""Poles closer to z = 1 make states so large that products lose more than 1e-9: those cascades stay with sosfilt."""


class _States:
    """s[k + 1] = s[k] M + u[k] for many k at once."""

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
        # From its inputs to what they leave behind it.
        self._left = np.concatenate([powers[GROUP - 1 - row] for row in range(GROUP)])
        self._deeper = _States(powers[GROUP], depth - 1) if depth > 1 else None

    def run(self, inputs: Array, state: Array) -> tuple[Array, Array]:
        """States before each of n inputs, shape (n, d), and the state behind the last."""
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
        before, behind = self._deeper.run(grouped @ self._left, state)
        out = np.empty((n, d))
        np.matmul(np.concatenate([before, grouped], axis=1), self._inside, out=out[:whole].reshape(groups, GROUP * d))
        for k in range(whole, n):
            out[k] = behind
            behind = behind @ self._matrix + inputs[k]
        return out, behind


class Cascade:
    """Second-order sections, rows (b0, b1, b2, 1, a1, a2). The state is the caller's."""

    def __init__(self, sections: Array):
        self.sections = np.ascontiguousarray(np.atleast_2d(sections))
        self._d = 2 * len(self.sections)
        self._matrices: tuple[Array, Array, _States] | None = None
        self._scratch = Scratch()
        poles = np.concatenate([np.roots(row[3:]) for row in self.sections])
        self._slowest = float(np.abs(poles).max(initial=0.0))
        self._by_rows = poles.size == 0 or float(np.abs(1.0 - poles).min()) > NEAR_DC

    def _prepare(self) -> tuple[Array, Array, _States]:
        d = self._d
        product = np.zeros((ROW + d, ROW))
        gather = np.zeros((ROW, d))
        impulse = np.zeros(ROW)
        impulse[0] = 1.0
        rest = np.zeros((len(self.sections), 2))
        response, _ = sosfilt(self.sections, impulse, zi=rest)
        for row in range(ROW):
            product[row, row:] = response[: ROW - row]
            shifted = np.zeros(ROW)
            shifted[row] = 1.0
            gather[row] = sosfilt(self.sections, shifted, zi=rest)[1].reshape(d)
        passing = np.zeros((d, d))
        for one in range(d):
            unit = np.zeros(d)
            unit[one] = 1.0
            answer, after = sosfilt(self.sections, np.zeros(ROW), zi=unit.reshape(-1, 2))
            product[ROW + one] = answer
            passing[one] = after.reshape(d)
        return product, gather, _States(passing, depth=4)

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
        n_rows = x.size // ROW if x.size >= SHORT and self._by_rows else 0
        whole = n_rows * ROW
        if n_rows:
            if self._matrices is None:
                self._matrices = self._prepare()
            product, gather, states = self._matrices
            rows = x[:whole].reshape(n_rows, ROW)
            before, state = states.run(rows @ gather, state)
            work = self._scratch.take("cascade", n_rows * (ROW + self._d)).reshape(n_rows, ROW + self._d)
            work[:, :ROW] = rows
            work[:, ROW:] = before
            np.matmul(work, product, out=out[:whole].reshape(n_rows, ROW))
        if whole < x.size:
            out[whole:], after = sosfilt(self.sections, x[whole:], zi=state.reshape(-1, 2))
            state = after.reshape(self._d)
        return state

    def tail_frames(self, floor_db: float = -90.0, limit: int = 1 << 22) -> int:
        """Frames after which the impulse response stays `floor_db` below its peak."""
        n = 4096
        while True:
            impulse = np.zeros((1, n))
            impulse[0, 0] = 1.0
            level = np.abs(self.run(impulse, self.start_state(1))[0][0])
            over = np.flatnonzero(level > level.max() * 10.0 ** (floor_db / 20.0))
            last = int(over[-1]) if over.size else 0
            if last < n // 2 or n >= limit:
                # A steady tone or DC rings out with the slowest pole, however small that is in the impulse response.
                ring = floor_db / 20.0 * np.log(10.0) / np.log(self._slowest) if 0.0 < self._slowest < 1.0 else 0.0
                return min(limit, max(last, int(ring) + 1))
            n *= 4
