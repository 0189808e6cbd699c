"""Prior of the parts of a whole: the whole like any rate, the parts as free as can be.

Rates of three thirds, each Beta(1/2, 1/2), imply a whole that is seldom near 0: with
nothing burned the thirds would lie far above the rate of the whole pit. Here the whole
is Beta(1/2, 1/2) as in every other answer, and given the whole the parts keep the
distribution that they had.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from pitstats.stats.binomial_data import FloatArray

_CELLS = 4096
_FROM_THE_END = 40  # cells within which the limit at 0 or 1 takes over


def log_whole_prior(
    rates: FloatArray, weight: FloatArray, group: npt.NDArray[np.intp]
) -> FloatArray:
    """Log of what the prior of independent parts is multiplied by, shape (draws,).

    Parameters
    ----------
    rates : ndarray, shape (parts, draws)
        Rates of the parts.
    weight, group : ndarray, shape (parts,)
        Weight of each part in its whole, and the whole that it belongs to.

    Notes
    -----
    For a whole ``m`` of rates with density ``f`` the prior is
    ``f(rates) beta(m) / g(m)``, ``g`` being the density of ``m`` under ``f``: then
    ``m`` is Beta(1/2, 1/2), and given ``m`` nothing has changed [1]_.

    References
    ----------
    .. [1] Poole D, Raftery AE (2000), Inference for deterministic simulation models:
       the Bayesian melding approach, Journal of the American Statistical Association
       95:1244-1255.
    """
    total = np.zeros(rates.shape[1])
    for whole in np.unique(group):
        own = group == whole
        if own.sum() < 2:
            continue
        share = weight[own] / weight[own].sum()
        mean = np.clip(share @ rates[own], 1e-12, 1 - 1e-12)
        excess = own.sum() / 2 - 1
        at, height = _mean_density(tuple(np.sort(share).round(6).tolist()))
        ends = (0.5 + excess) * np.log(mean * (1 - mean))
        total -= ends + np.log(np.pi) + np.interp(mean, at, height)
    return total


@lru_cache(maxsize=64)
def _mean_density(share: tuple[float, ...]) -> tuple[FloatArray, FloatArray]:
    """Log density of a weighted mean of Beta(1/2, 1/2), its powers at the ends off.

    Places from 0 to 1, and ``log(g(m)) - (k / 2 - 1) log(m (1 - m))`` there for ``k``
    parts, which is finite at both ends.
    """
    k = len(share)
    size = 1 << (k * _CELLS - 1).bit_length()
    product = np.ones(size // 2 + 1, dtype=complex)
    edge = np.arange(_CELLS + 1) / _CELLS
    for one in share:
        below = 2 / np.pi * np.arcsin(np.sqrt(np.minimum(edge / one, 1.0)))
        product *= np.fft.rfft(np.diff(below), size)
    mass = np.fft.irfft(product, size)[: _CELLS + k]
    at = (np.arange(_CELLS + k) + k / 2) / _CELLS
    inside = (at > _FROM_THE_END / _CELLS) & (at < 1 - _FROM_THE_END / _CELLS)
    at, density = at[inside], mass[inside] * _CELLS
    height = np.log(density) - (k / 2 - 1) * np.log(at * (1 - at))
    end = k / 2 * np.log(np.pi) - gammaln(k / 2) - k * np.log(np.pi)
    end -= 0.5 * np.log(share).sum()
    return np.concatenate([[0.0], at, [1.0]]), np.concatenate([[end], height, [end]])
