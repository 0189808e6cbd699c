"""Curves that a formula may bend a column with."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pitstats.errors import DesignError


def hump(distance: Any) -> Any:
    """Curve that is 0 at both ends of the grate and 1 in its middle."""
    return 4 * distance * (1 - distance)


class OrthogonalPolynomials:
    """Polynomials of a column that do not overlap over the rows of the study.

    They follow from a recurrence [1]_ whose coefficients are kept, so that other rows
    get values of the same curves.

    References
    ----------
    .. [1] Forsythe GE (1957), Generation and use of orthogonal polynomials for
       data-fitting with a digital computer, J SIAM 5:74-88, equations 8 to 12.

    Examples
    --------
    >>> curves = OrthogonalPolynomials()
    >>> curves.memorize_chunk([1, 2, 3, 4, 5], 2)
    >>> curves.memorize_finish()
    >>> (curves.transform([1, 2, 3, 4, 5], 2)[:, 1] * 14**0.5).round(6).tolist()
    [2.0, -1.0, -2.0, -1.0, 2.0]
    """

    def __init__(self) -> None:
        self._seen: list[NDArray[np.float64]] = []
        self._degree = 1
        self._centers: list[float] = []
        self._norms: list[float] = []

    def memorize_chunk(self, x: ArrayLike, degree: int = 1) -> None:
        """Take up rows of the study."""
        self._seen.append(np.asarray(x, dtype=float))
        self._degree = degree

    def memorize_finish(self) -> None:
        """Work out the recurrence once all rows were seen."""
        x = np.concatenate(self._seen)
        if len(np.unique(x)) <= self._degree:
            raise DesignError(
                f"poly needs more different values than its degree, {self._degree}. "
                "Lower the degree."
            )
        before, now = np.zeros_like(x), np.ones_like(x)
        self._norms = [1.0]
        for _ in range(self._degree + 1):
            norm = float(now @ now)
            self._centers.append(float(x @ now**2) / norm)
            self._norms.append(norm)
            before, now = now, self._next(x, before, now)

    def _next(
        self, x: NDArray[np.float64], before: NDArray[Any], now: NDArray[Any]
    ) -> NDArray[np.float64]:
        k = len(self._centers) - 1
        share = self._norms[k + 1] / self._norms[k]
        value: NDArray[np.float64] = (x - self._centers[k]) * now - share * before
        return value

    def transform(self, x: ArrayLike, degree: int = 1) -> NDArray[np.float64]:
        """Return the curves at other values, one column a degree."""
        values = np.asarray(x, dtype=float)
        before, now = np.zeros_like(values), np.ones_like(values)
        columns = []
        for k in range(degree):
            share = self._norms[k + 1] / self._norms[k]
            before, now = now, (values - self._centers[k]) * now - share * before
            columns.append(now / np.sqrt(self._norms[k + 2]))
        return np.column_stack(columns)
