"""Which coefficients of a logistic regression have no finite estimate, and why.

When some direction of the coefficients splits the burned from the unburned items,
the likelihood keeps rising along it and maximum likelihood has no finite answer. The
directions are found exactly, by linear programming, before any fit is believed.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import FloatArray, null_space


class Separation(NamedTuple):
    """Directions in which a logistic likelihood has no maximum.

    Attributes
    ----------
    columns : ndarray of bool, shape (p,)
        Columns whose coefficient has no finite estimate.
    sign : ndarray, shape (p,)
        1 or -1: the coefficient runs to plus or minus infinity; NaN: either way;
        0: it has a finite estimate.
    rows : ndarray of bool, shape (n,)
        Entries that are predicted without error in the limit.
    """

    columns: npt.NDArray[np.bool_]
    sign: FloatArray
    rows: npt.NDArray[np.bool_]

    @property
    def found(self) -> bool:
        """Whether any coefficient lacks a finite estimate."""
        return bool(self.columns.any())

    def describe(self, names: list[str]) -> str:
        """Name the separated columns in one sentence, or return an empty string."""
        if not self.found:
            return ""
        listed = ", ".join(names[j] for j in np.flatnonzero(self.columns))
        return (
            f"burned and unburned items are separated by {listed}: maximum likelihood "
            "has no finite estimate there. Use the Firth fit or the posterior."
        )


def find_separation(y: FloatArray, n: FloatArray, design: FloatArray) -> Separation:
    """Find complete or quasi-complete separation of binomial data.

    The design has full rank, and an intercept column of its own if there is one.

    Notes
    -----
    One linear program finds the largest set of entries that some direction predicts
    without error [1]_ [2]_; the entries left over overlap. A coefficient is finite
    when the overlapping entries determine it, so the separated columns can be read
    from their null space. Two further programs for each such column give its sign.

    References
    ----------
    .. [1] Albert A, Anderson JA (1984), On the existence of maximum likelihood
       estimates in logistic regression models, Biometrika 71:1-10.
    .. [2] Konis K (2007), Linear programming algorithms for detecting separated data
       in binary logistic regression models, DPhil thesis, University of Oxford.
    """
    used = n > 0
    signed, mixed = _signed_rows(y[used], n[used], design[used])
    separated = _largest_separated_set(signed, mixed)
    rows = np.zeros(len(y), dtype=bool)
    pure = np.flatnonzero(used)[(y[used] == 0) | (y[used] == n[used])]
    rows[pure[separated]] = True
    basis = null_space(np.vstack([mixed, signed[~separated]]))
    columns = np.abs(basis).max(axis=1, initial=0.0) > 1e-7
    sign = np.zeros(design.shape[1])
    for j in np.flatnonzero(columns):
        sign[j] = _direction(int(j), signed, mixed)
    return Separation(columns, sign, rows)


def _signed_rows(
    y: FloatArray, n: FloatArray, design: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Rows turned so that a separating direction has a product of 0 or more."""
    pure = (y == 0) | (y == n)
    side = np.where(y[pure] == 0, -1.0, 1.0)
    return design[pure] * side[:, None], design[~pure]


def _largest_separated_set(
    signed: FloatArray, mixed: FloatArray
) -> npt.NDArray[np.bool_]:
    """Entries that a single direction can put strictly on their own side."""
    from scipy.optimize import linprog

    m, p = signed.shape
    if m == 0:
        return np.zeros(0, dtype=bool)
    cost = np.concatenate([np.zeros(p), -np.ones(m)])
    solution = linprog(
        cost,
        A_ub=np.hstack([-signed, np.eye(m)]),
        b_ub=np.zeros(m),
        A_eq=np.hstack([mixed, np.zeros((len(mixed), m))]),
        b_eq=np.zeros(len(mixed)),
        bounds=[(None, None)] * p + [(0, 1)] * m,
        method="highs",
    )
    return np.asarray(solution.x[p:] > 0.5)


def _direction(j: int, signed: FloatArray, mixed: FloatArray) -> float:
    """Sign that coefficient ``j`` takes along the separating directions."""
    from scipy.optimize import linprog

    p = signed.shape[1]
    reach = []
    for side in (1.0, -1.0):
        cost = np.zeros(p)
        cost[j] = -side
        solution = linprog(
            cost,
            A_ub=-signed,
            b_ub=np.zeros(len(signed)),
            A_eq=mixed,
            b_eq=np.zeros(len(mixed)),
            bounds=[(-1, 1)] * p,
            method="highs",
        )
        reach.append(solution.x[j] * side > 1e-9)
    if all(reach):
        return float("nan")
    return 1.0 if reach[0] else -1.0
