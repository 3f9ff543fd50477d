"""Finds which of several drums was hit in each event, from the levels of all microphones.

Levels are factored into (how hard each drum was hit) x (how loud each drum is in each feature), both non-negative:
non-negative matrix factorisation with the divergence of Lee and Seung ("Algorithms for non-negative matrix
factorization", NIPS 2000). Each drum's pattern starts from its own microphone, which makes the result unique in
practice.
"""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array

ROUNDS = 300
BLEED = 0.05
TINY = 1e-9


def unmix(levels: Array, own: list[list[int]]) -> tuple[Array, Array]:
    """Strengths (n_events, n_drums) and patterns (n_drums, n_features) whose product approximates the levels.

    `levels` has shape (n_events, n_features); `own` lists each drum's own features. In its pattern a drum's loudest own
    feature is 1.
    """
    patterns = np.full((len(own), levels.shape[1]), BLEED)
    for drum, features in enumerate(own):
        patterns[drum, features] = 1.0
    strengths = np.stack([levels[:, features].mean(axis=1) for features in own], axis=1) + 1e-6
    for _ in range(ROUNDS):
        ratio = levels / (strengths @ patterns + TINY)
        strengths *= (ratio @ patterns.T) / (patterns.sum(axis=1) + TINY)
        ratio = levels / (strengths @ patterns + TINY)
        patterns *= (strengths.T @ ratio) / (strengths.sum(axis=0)[:, None] + TINY)
        scale = np.array([[max(TINY, float(patterns[drum, features].max()))] for drum, features in enumerate(own)])
        patterns /= scale
        strengths *= scale.T
    return strengths, patterns
