"""A cumulative logit as binomial terms, one for each cut of the grade scale.

With ``eta_j`` the logit of "grade j or darker", a grade's log-probability is that of a
success at its own cut and a failure at the next, plus a term of the gap between the
two that no shift of the logits changes. So whatever integrates a bake effect out of a
logistic model serves grades too.
"""

from __future__ import annotations

import numpy as np

from pitstats.stats.binomial_data import FloatArray


def cut_pairs(counts: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Successes and trials of the binomial term of every cut.

    Each of shape (..., grades - 1), from counts by grade, palest first: items just
    darker than the cut, and those just darker or just paler.
    """
    return counts[..., 1:], counts[..., 1:] + counts[..., :-1]


def log_gap(gap: FloatArray) -> FloatArray:
    """Log of ``1 - exp(-gap)``, the part of a grade's log-probability in its gap."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(gap > 0, np.log(-np.expm1(-gap)), -np.inf))
