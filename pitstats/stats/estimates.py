"""The shapes of answers: an estimate with its interval, and differences of pairs."""

from __future__ import annotations

from typing import Generic, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray

Number_co = TypeVar("Number_co", covariant=True)


class Estimate(NamedTuple, Generic[Number_co]):
    """Posterior means with equal-tailed intervals: one as floats, several as arrays.

    Attributes
    ----------
    estimate, low, high : float or ndarray
        Mean and ends of the interval; NaN where withheld.
    """

    estimate: Number_co
    low: Number_co
    high: Number_co


class PairEstimates(NamedTuple):
    """Differences of all pairs: (0, 1), (0, 2) ... (1, 2) ...

    Attributes
    ----------
    a, b : ndarray of int, shape (pairs,)
        What is compared.
    estimate : ndarray, shape (pairs,) or (pairs, cuts)
        Posterior mean of a minus b.
    low, high : ndarray, same shape
        Equal-tailed interval of each difference alone.
    simultaneous_low, simultaneous_high : ndarray, same shape
        Intervals that hold for all pairs together; with one pair the same.
    p_value, p_adjusted : ndarray, same shape
        Two-sided tail probability of 0, alone and for all pairs together: below ``1 -
        conf_level`` exactly when the interval, or the simultaneous one, excludes 0.
    """

    a: npt.NDArray[np.intp]
    b: npt.NDArray[np.intp]
    estimate: FloatArray
    low: FloatArray
    high: FloatArray
    simultaneous_low: FloatArray
    simultaneous_high: FloatArray
    p_value: FloatArray
    p_adjusted: FloatArray


def ending_at_borders(
    found: Estimate[FloatArray],
    none: npt.NDArray[np.bool_],
    every: npt.NDArray[np.bool_],
) -> Estimate[FloatArray]:
    """Shares whose interval reaches 0 where no item, and 1 where every item counted."""
    low, high = np.where(none, 0.0, found.low), np.where(every, 1.0, found.high)
    return Estimate(found.estimate, low, high)
