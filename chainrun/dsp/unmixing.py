"""Which of several drums was hit in which event, from what every microphone heard of it.

Levels are taken apart into (how hard each drum was hit) x (how loud each drum is in each feature), both not negative:
non-negative matrix factorisation with the divergence that Lee and Seung use ("Algorithms for non-negative matrix
factorization", NIPS 2000). Each drum begins as what its own microphone hears, which makes the result unique in
practice.
"""

from __future__ import annotations

import numpy as np

from chainrun.dsp.arrays import Array

ROUNDS = 300
BLEED = 0.05
TINY = 1e-9


def unmix(levels: Array, own: list[list[int]]) -> tuple[Array, Array]:
    """Levels of shape (n_events, n_features), and each drum's own features.

    Returns strengths (n_events, n_drums) and patterns (n_drums, n_features); a drum's loudest own feature is 1.
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
