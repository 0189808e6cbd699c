"""Checks of counts, labels and design matrices, shared by all methods."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.floating[Any]]
IntArray = npt.NDArray[np.intp]
ArrayLike = npt.ArrayLike


def whole_numbers(value: ArrayLike, name: str) -> npt.NDArray[np.intp]:
    """Array of whole numbers from 0 up, or a ValueError that says what is wrong."""
    array = np.asarray(value)
    try:
        number = array.astype(np.float64)
    except (TypeError, ValueError):
        raise ValueError(f"{name} holds something that is not a number") from None
    wrong = ~np.isfinite(number) | (number < 0) | (number != np.floor(number))
    if np.any(wrong):
        raise ValueError(
            f"{name} holds {array[wrong].ravel()[0]}; counts are whole numbers "
            "from 0 up"
        )
    return number.astype(np.intp)


def check_counts(burned: ArrayLike, total: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return counts of burned and graded items as floats, or say what is wrong."""
    y = np.atleast_1d(np.asarray(burned, dtype=float))
    n = np.atleast_1d(np.asarray(total, dtype=float))
    if y.ndim != 1 or y.shape != n.shape:
        raise ValueError(
            f"burned has shape {y.shape} and total has shape {n.shape}; "
            "give one burned count and one total per entry."
        )
    if not (np.isfinite(y).all() and np.isfinite(n).all()):
        raise ValueError(
            "burned and total must not have gaps; leave out entries that were not "
            "graded."
        )
    if (y < 0).any() or (n < 0).any() or (y % 1 != 0).any() or (n % 1 != 0).any():
        raise ValueError("burned and total must be whole numbers, 0 or more.")
    over = np.flatnonzero(y > n)
    if over.size:
        i = int(over[0])
        raise ValueError(
            f"entry {i} has {y[i]:g} burned of {n[i]:g} graded; "
            "burned cannot exceed total."
        )
    return y, n


def check_design(X: ArrayLike, n_entries: int) -> FloatArray:
    """Return a design matrix as floats, one row per entry; 1-D is one column."""
    design = np.asarray(X, dtype=float)
    if design.ndim == 1:
        design = design[:, None]
    if design.ndim != 2 or design.shape[0] != n_entries:
        raise ValueError(
            f"X has shape {design.shape}, but there are {n_entries} entries; "
            "give one row of X per entry."
        )
    if not np.isfinite(design).all():
        raise ValueError("X must not have gaps or infinite values.")
    return design


def check_codes(codes: ArrayLike, n_entries: int, name: str) -> npt.NDArray[Any]:
    """Return labels of pits, bakes or groups, one per entry and none missing."""
    labels = np.atleast_1d(np.asarray(codes))
    if labels.ndim != 1 or labels.shape[0] != n_entries:
        raise ValueError(
            f"{name} has shape {labels.shape}, but there are {n_entries} entries; "
            f"give one {name} per entry."
        )
    if labels.dtype.kind == "f" and not np.isfinite(labels).all():
        raise ValueError(f"{name} must not have gaps.")
    return labels


def check_conf_level(conf_level: float, name: str = "conf_level") -> float:
    """Return the confidence level, or refuse one that is not between 0 and 1."""
    if not 0 < conf_level < 1:
        raise ValueError(f"{name} is {conf_level}; it must lie between 0 and 1.")
    return float(conf_level)


def column_names(names: Sequence[str] | None, width: int) -> list[str]:
    """Return names for the columns of a design, counted from 0 where none are given."""
    if names is None:
        return [f"column {j}" for j in range(width)]
    if len(names) != width:
        raise ValueError(f"names has {len(names)} entries, but X has {width} columns.")
    return [str(name) for name in names]


def dependent_columns(design: FloatArray) -> list[int]:
    """Columns that take part in an exact linear dependence (none when of full rank)."""
    scale = np.linalg.norm(design, axis=0)
    scaled = design / np.where(scale > 0, scale, 1.0)
    null = null_space(scaled)
    return [int(j) for j in np.flatnonzero(np.abs(null).max(axis=1, initial=0) > 1e-7)]


def null_space(matrix: FloatArray) -> FloatArray:
    """Orthonormal basis of the null space, shape (columns, dimension)."""
    if matrix.shape[0] == 0:
        return np.eye(matrix.shape[1])
    if matrix.shape[0] > matrix.shape[1]:
        matrix = np.asarray(np.linalg.qr(matrix, mode="r"))
    _, singular, vt = np.linalg.svd(matrix, full_matrices=True)
    tolerance = 1e-9 * max(1.0, singular.max(initial=0.0))
    rank = int((singular > tolerance).sum())
    return np.asarray(vt[rank:].T)


def check_full_rank(design: FloatArray, names: list[str]) -> None:
    """Refuse a design whose columns determine each other, and name them."""
    dependent = dependent_columns(design)
    if dependent:
        listed = ", ".join(names[j] for j in dependent)
        raise ValueError(
            f"the columns {listed} of X determine each other, so their effects cannot "
            "be told apart. Leave one of them out."
        )


def binomial_constant(y: FloatArray, n: FloatArray) -> float:
    """Sum of the log binomial coefficients, 0 for 0/1 data."""
    from scipy.special import gammaln

    return float((gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)).sum())


def expit(eta: FloatArray) -> FloatArray:
    """Inverse logit, exact to the last digits at both ends."""
    from scipy.special import expit as inverse_logit

    return np.asarray(inverse_logit(eta))


def collapse(
    y: FloatArray, n: FloatArray, keys: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Add up entries with the same row of ``keys``, shape (entries, k).

    Burned, graded and the distinct keys, sorted, so that the order of the input does
    not matter.
    """
    distinct, inverse = np.unique(keys, axis=0, return_inverse=True)
    inverse = inverse.reshape(-1)
    burned = np.zeros(distinct.shape[0])
    total = np.zeros(distinct.shape[0])
    np.add.at(burned, inverse, y)
    np.add.at(total, inverse, n)
    return burned, total, distinct
