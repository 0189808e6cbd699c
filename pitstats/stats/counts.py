"""Counts as users give them, checked."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def whole_numbers(value: ArrayLike, name: str) -> NDArray[np.intp]:
    """Array of non-negative whole numbers, or an error that says what is wrong.

    Parameters
    ----------
    value : array_like
        What was given.
    name : str
        Its name, for the message.

    Returns
    -------
    ndarray of int

    Raises
    ------
    ValueError
        If an entry is missing, negative or not whole.
    """
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
