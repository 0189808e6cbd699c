"""All pairs at once: simultaneous intervals and adjusted p-values by depth.

A draw from the joint posterior is as deep as its least central difference: the
smallest, over all pairs, of the posterior probability beyond it. Intervals cut at the
depth that only a share ``1 - conf_level`` of the draws falls short of hold for all
pairs together.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

N_DRAWS_LOG2 = 14
"""Base-2 logarithm of the number of fixed quasi-random draws (16,384)."""

_FIXED_SEED = 1709


@lru_cache(maxsize=8)
def sobol_points(n_dims: int) -> Array:
    """Scrambled Sobol points, always the same: (16384, n_dims) in the open unit cube.

    References
    ----------
    .. [1] Owen (1998), Scrambling Sobol' and Niederreiter-Xing points, Journal of
       Complexity 14:466-489.
    """
    from scipy.stats import qmc

    engine = qmc.Sobol(n_dims, scramble=True, seed=np.random.default_rng(_FIXED_SEED))
    points = np.asarray(engine.random_base2(N_DRAWS_LOG2), dtype=np.float64)
    points = np.clip(points, 1e-12, 1.0 - 1e-12)
    points.flags.writeable = False
    return points


@lru_cache(maxsize=8)
def sobol_cells(n_dims: int) -> tuple[Array, NDArray[np.int32], Array]:
    """Where `sobol_points` lie among fixed levels, for tables of quantiles.

    Levels from 0 to 1, dense at both ends; the level at or below each coordinate; and
    how far the coordinate is on the way to the next one, 0 to 1.
    """
    n_cells = 384
    level = np.sin(0.5 * np.pi * np.arange(n_cells + 1) / n_cells) ** 2
    points = sobol_points(n_dims)
    cell = np.minimum(np.searchsorted(level, points, side="right") - 1, n_cells - 1)
    share = (points - level[cell]) / (level[cell + 1] - level[cell])
    return level, cell.astype(np.int32), share


def depth_cut(depth: Array, conf_level: float) -> float:
    """Depth at which intervals for all pairs hold together, from the depths of draws.

    The tail probability of each interval: at most ``(1 - conf_level) / 2``, so that no
    interval is shorter than the one for its pair alone [1]_.

    References
    ----------
    .. [1] Besag, Green, Higdon & Mengersen (1995), Bayesian computation and stochastic
       systems, Statistical Science 10:3-41 (simultaneous regions from ranks).

    Examples
    --------
    >>> import numpy as np
    >>> round(depth_cut(np.linspace(0.005, 0.5, 100), 0.95), 4)
    0.025
    """
    alpha = 1.0 - conf_level
    rank = max(math.ceil(alpha * depth.size), 1) - 1
    return min(float(np.partition(depth, rank)[rank]), alpha / 2)


def adjusted_p_value(depth: Array, p_value: Array) -> Array:
    """P-values of pairs, adjusted for looking at all of them.

    The share of draws at most as deep as "no difference" is in the pair, never below
    the pair's own p-value: below ``1 - conf_level`` exactly when the interval cut at
    `depth_cut` excludes no difference.

    Examples
    --------
    >>> import numpy as np
    >>> adjusted_p_value(np.linspace(0.005, 0.5, 100), np.array([0.04, 1.0]))
    array([0.04, 1.  ])
    """
    count = np.array([np.count_nonzero(depth <= deep) for deep in 0.5 * p_value])
    return np.asarray(np.maximum(count / depth.size, p_value))
