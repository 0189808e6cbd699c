"""What a model says, in words: curves along the grate and effects of settings."""

from __future__ import annotations

import pandas as pd

from pitstats.report.wording.guard import sentence
from pitstats.report.wording.numbers import one_line, percent

CURVES_NOTE = (
    "Line and hump per pit: a smooth guide for the eye. The thirds above are the "
    "measured statement. Each curve ends with the pit's own items; dotted: the pit had "
    "none there."
)


def curves_in_words(curves: pd.DataFrame) -> str:
    """Describe the curves for those who cannot see them.

    Parameters
    ----------
    curves : pandas.DataFrame
        As returned by `BurnModel.distance_curve`.

    Returns
    -------
    str
        One sentence per pit: probability at the item places nearest the firebox and
        farthest from it, and halfway between them.

    Examples
    --------
    >>> import pandas as pd
    >>> curves_in_words(pd.DataFrame(
    ...     {"pit": "Mill", "distance": [0.1, 0.5, 0.9], "estimate": [0.5, 0.3, 0.2]}))
    'Mill: 50% at its items nearest the firebox, 30% halfway, 20% at its farthest.'
    """
    parts = []
    for pit, own in curves.groupby("pit", sort=False):
        rate = own["estimate"].to_numpy(dtype=float)
        if len(rate) == 1:
            parts.append(
                f"{one_line(pit)}: {percent(rate[0])} at the one distance of its items."
            )
            continue
        parts.append(
            f"{one_line(pit)}: {percent(rate[0])} at its items nearest the firebox, "
            f"{percent(rate[len(rate) // 2])} halfway, "
            f"{percent(rate[-1])} at its farthest."
        )
    return sentence(" ".join(parts))
