"""One series of readings over time: weights, limits, swings, lag, stuck runs.

Times need not be evenly spaced. Between two readings the temperature is taken to run
in a straight line, unless they lie further apart than a gap; nothing is assumed about
the time inside a gap.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


class LagCorrection(NamedTuple):
    """Readings freed from the lag of the probe, and what that costs.

    Attributes
    ----------
    temp : ndarray
        Corrected readings.
    noise_factor : float
        By how much the correction multiplies the noise of single readings
        (root mean square over the series; 1 where nothing could be corrected).
    """

    temp: Floats
    noise_factor: float


def reading_weights(minute: ArrayLike, gap: float) -> Floats:
    """Minutes for which each reading stands (trapezoid rule, gaps left out).

    Parameters
    ----------
    minute : array_like, shape (n,)
        Times in minutes, increasing.
    gap : float
        Steps longer than this many minutes carry no weight.

    Returns
    -------
    ndarray, shape (n,)
        Minutes; their sum is the time that the readings cover.

    Raises
    ------
    ValueError
        If the times do not increase.

    Examples
    --------
    >>> reading_weights([0, 1, 3, 20], gap=5).tolist()
    [0.5, 1.5, 1.0, 0.0]
    """
    times = _times(minute)
    half = np.where(_counted(times, gap), np.diff(times), 0.0) / 2
    weights = np.zeros(times.size)
    weights[:-1] += half
    weights[1:] += half
    return weights


def weighted_mean(temp: ArrayLike, weights: ArrayLike) -> float:
    """Mean over time; the plain mean where no reading has weight; NaN for none.

    Examples
    --------
    >>> weighted_mean([300, 330], [1.0, 2.0])
    320.0
    """
    values, weight = np.asarray(temp, dtype=float), np.asarray(weights, dtype=float)
    if values.size == 0:
        return np.nan
    if not weight.any():
        return float(values.mean())
    return float(weight @ values / weight.sum())


def minutes_above(
    minute: ArrayLike, temp: ArrayLike, limit: float, gap: float
) -> float:
    """Minutes spent above a limit, crossings placed on the straight line between.

    Parameters
    ----------
    minute, temp : array_like, shape (n,)
        Times in minutes, increasing, and readings.
    limit : float
        In the unit of the readings.
    gap : float
        Steps longer than this are left out.

    Returns
    -------
    float
        Minutes; below a limit: ``minutes_above(minute, -temp, -limit, gap)``.

    Examples
    --------
    >>> minutes_above([0, 2, 4], [300, 340, 340], limit=330, gap=5)
    2.5
    """
    times = _times(minute)
    excess = np.asarray(temp, dtype=float) - limit
    first, second = excess[:-1], excess[1:]
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = np.maximum(first, second) / np.abs(second - first)
    share = np.where((first > 0) & (second > 0), 1.0, 0.0)
    share = np.where(first * second < 0, crossing, share)
    # A step that only touches the limit lies on one side of it.
    share = np.where((first * second == 0) & (first + second > 0), 1.0, share)
    return float((share * np.diff(times))[_counted(times, gap)].sum())


class Sway(NamedTuple):
    """How much a series moves: its straight line, and what is left around it.

    Attributes
    ----------
    drift : float
        Slope of the least-squares line, per minute.
    swing : float
        Distance between the 5 % and the 95 % point of the readings around that line,
        each reading weighted with its time.
    """

    drift: float
    swing: float


def sway(minute: ArrayLike, temp: ArrayLike, weights: ArrayLike) -> Sway:
    """Measure drift and swing of a series.

    Parameters
    ----------
    minute, temp, weights : array_like, shape (n,)
        Times, readings and `reading_weights`.

    Returns
    -------
    Sway
        NaN for fewer than five readings or no covered time.

    Notes
    -----
    There is no standard for the swing of a wood fire; the definition here is common
    practice in its spirit (peak to trough of the saw that tending makes) and leaves
    out the outermost tenth so that one stray reading does not decide. A sine of
    amplitude A has a swing of 1.98 A, an even saw from trough to peak 0.9 of its
    height.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(0, 60, 0.5)
    >>> wave = 300 + t + 10 * np.cos(2 * np.pi * t / 15)
    >>> [round(x, 1) for x in sway(t, wave, reading_weights(t, 5))]
    [1.0, 19.6]
    """
    times, values = np.asarray(minute, dtype=float), np.asarray(temp, dtype=float)
    weight = np.asarray(weights, dtype=float)
    if times.size < 5 or not weight.any():
        return Sway(np.nan, np.nan)
    middle = weighted_mean(times, weight)
    centered = times - middle
    slope = float((weight * centered) @ values / ((weight * centered) @ centered))
    rest = values - slope * centered
    order = np.argsort(rest, kind="stable")
    passed = np.cumsum(weight[order]) - weight[order] / 2
    low, high = np.interp([0.05, 0.95], passed / weight.sum(), rest[order])
    return Sway(slope, float(high - low))


def correct_lag(
    minute: ArrayLike, temp: ArrayLike, time_constant: float, gap: float
) -> LagCorrection:
    """Undo the first-order lag of a probe: reading + time constant x its slope.

    Parameters
    ----------
    minute, temp : array_like, shape (n,)
        Times in minutes, increasing, and readings.
    time_constant : float
        In minutes: time to 63.2 % of a step.
    gap : float
        Slopes are not taken across steps longer than this.

    Returns
    -------
    LagCorrection
        The slope at a reading is that of the parabola through it and its neighbors
        (of the straight line to its one neighbor at an end); a reading without
        neighbors is left as it is.

    Notes
    -----
    A first-order sensor obeys ``tau dT/dt = T_gas - T`` [1]_. The correction is a
    fixed weighted sum of readings, so independent noise of SD ``s`` in them becomes
    noise of SD ``s * sqrt(sum of squared weights)``: the returned factor. At even
    steps ``d`` that is ``sqrt(1 + tau^2 / (2 d^2))``.

    References
    ----------
    .. [1] Doebelin EO (1990), Measurement Systems: Application and Design, 4th ed.,
       McGraw-Hill, chapter 3 (first-order instruments).

    Examples
    --------
    >>> correct_lag([0, 1, 2, 3], [300, 310, 320, 330], 0.5, gap=5).temp.tolist()
    [305.0, 315.0, 325.0, 335.0]
    """
    times, values = _times(minute), np.asarray(temp, dtype=float)
    corrected = values.copy()
    squares = np.ones(times.size)
    for start, stop in _pieces(times, gap):
        if stop - start < 2:
            continue
        piece = times[start:stop]
        corrected[start:stop] += time_constant * np.gradient(values[start:stop], piece)
        squares[start:stop] = _squared_weights(piece, time_constant)
    factor = float(np.sqrt(squares.mean())) if times.size else 1.0
    return LagCorrection(corrected, factor)


def _squared_weights(times: Floats, time_constant: float) -> Floats:
    """Sum of squared weights of the readings in each corrected reading."""
    pull = time_constant / np.diff(times)
    squares = np.empty(times.size)
    squares[0] = (1 - pull[0]) ** 2 + pull[0] ** 2
    squares[-1] = (1 + pull[-1]) ** 2 + pull[-1] ** 2
    before, after = pull[:-1], pull[1:]
    # Slope of the parabola: each side's slope, weighted with the other side's step.
    to_before = before**2 / (before + after)
    to_after = after**2 / (before + after)
    squares[1:-1] = to_before**2 + to_after**2 + (1 + to_before - to_after) ** 2
    return squares


def still_runs(
    minute: ArrayLike, temp: ArrayLike, *, least_minutes: float, least_readings: int
) -> list[tuple[int, int]]:
    """Find runs in which the reading did not change at all.

    Parameters
    ----------
    minute, temp : array_like, shape (n,)
        Times in minutes, increasing, and readings.
    least_minutes : float
        Shortest run that counts, from its first to its last reading.
    least_readings : int
        Fewest readings that count, so that a few readings by hand do not.

    Returns
    -------
    list of (int, int)
        First reading of each run and the one after its last.

    Examples
    --------
    >>> still_runs([0, 1, 2, 3, 4], [300, 301, 301, 301, 302],
    ...            least_minutes=2, least_readings=3)
    [(1, 4)]
    """
    times, values = _times(minute), np.asarray(temp, dtype=float)
    if values.size == 0:
        return []
    edges = np.flatnonzero(np.diff(values) != 0) + 1
    starts = np.concatenate([[0], edges]).astype(int)
    stops = np.concatenate([edges, [values.size]]).astype(int)
    return [
        (int(start), int(stop))
        for start, stop in zip(starts, stops, strict=True)
        if stop - start >= least_readings
        and times[stop - 1] - times[start] >= least_minutes
    ]


def _times(minute: ArrayLike) -> Floats:
    times = np.asarray(minute, dtype=float)
    if (np.diff(times) <= 0).any():
        raise ValueError("The times must increase from reading to reading.")
    return times


def _counted(times: Floats, gap: float) -> NDArray[np.bool_]:
    return np.asarray(np.diff(times) <= gap)


def _pieces(times: Floats, gap: float) -> list[tuple[int, int]]:
    """Pieces without a gap: first reading and the one after the last."""
    if times.size == 0:
        return []
    edges = np.flatnonzero(~_counted(times, gap)) + 1
    bounds = [0, *edges.tolist(), times.size]
    return list(pairwise(bounds))
