"""From a rate averaged over bakes to the logit of an average bake, and back."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, logit

# Equal weights over a fine grid of z resolve the logistic curve at any SD of use here;
# Gauss-Hermite nodes would need more of them at SD 2.5 for the same 1e-9.
_Z = np.linspace(-8.5, 8.5, 121)
_WEIGHT = np.exp(-0.5 * _Z**2)
_WEIGHT /= _WEIGHT.sum()


def marginal_rate(intercept: ArrayLike, sd: ArrayLike) -> NDArray[np.float64]:
    """Average probability over a normal effect on the logit scale.

    Parameters
    ----------
    intercept, sd : array_like of float
        Logit of an average bake and SD between bakes; broadcast together.

    Returns
    -------
    ndarray
        ``E expit(intercept + sd * z)`` with standard normal ``z``.

    Examples
    --------
    >>> round(float(marginal_rate(0.0, 1.0)), 6)
    0.5
    """
    center, spread = np.broadcast_arrays(
        np.asarray(intercept, dtype=float), np.asarray(sd, dtype=float)
    )
    return np.asarray(expit(center[..., None] + spread[..., None] * _Z) @ _WEIGHT)


def marginal_intercept(rate: ArrayLike, sd: ArrayLike) -> NDArray[np.float64]:
    """Logit of an average bake that gives a stated rate averaged over bakes.

    Parameters
    ----------
    rate : array_like of float
        Long-run rate; 0 and 1 give minus and plus infinity.
    sd : array_like of float
        SD between bakes on the logit scale, 0 or more; broadcast with ``rate``.

    Returns
    -------
    ndarray
        Intercepts, accurate to about 1e-9 in the rate.

    Raises
    ------
    ValueError
        If a rate lies outside 0 to 1 or an SD is negative.

    Examples
    --------
    >>> round(float(marginal_intercept(0.2, 0.0)), 6)
    -1.386294
    """
    goal_rate, spread = np.broadcast_arrays(
        np.asarray(rate, dtype=float), np.asarray(sd, dtype=float)
    )
    if np.any((goal_rate < 0) | (goal_rate > 1)):
        raise ValueError("rates must lie between 0 and 1")
    if np.any(spread < 0):
        raise ValueError("sd must be 0 or more")
    inner = (goal_rate > 0) & (goal_rate < 1)
    safe = np.where(inner, goal_rate, 0.5)
    goal = logit(safe)
    found = goal * np.sqrt(1.0 + 0.346 * spread**2)  # probit-like first guess
    for _ in range(60):
        p = expit(found[..., None] + spread[..., None] * _Z)
        mean = p @ _WEIGHT
        slope = (p * (1.0 - p)) @ _WEIGHT / (mean * (1.0 - mean))
        step = np.clip((goal - logit(mean)) / slope, -2.0, 2.0)
        found = found + step
        if np.max(np.abs(step), initial=0.0) < 1e-11:
            break
    return np.where(inner, found, np.where(goal_rate > 0, np.inf, -np.inf))
