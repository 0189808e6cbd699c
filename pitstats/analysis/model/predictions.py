"""Burn probabilities of cells, draw by draw, from a fitted model."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.model.fit import FittedModel
from pitstats.stats.posterior import predict_rates
from pitstats.stats.weighted_draws import summarize_draws


def cell_draws(
    fitted: FittedModel, pit: str, cells: pd.DataFrame
) -> NDArray[np.float64]:
    """Long-run burn probability of cells of one pit."""
    rows = fitted.design.matrix(cells)[:, fitted.kept]
    code = fitted.pits.index(pit)
    return np.asarray(predict_rates(fitted.result.draws, code, rows), dtype=float)


def mean_draws(
    fitted: FittedModel, pit: str, cells: pd.DataFrame
) -> NDArray[np.float64]:
    """Probability averaged over cells with their ``cell_weight``, shape (draws,)."""
    weight = cells["cell_weight"].to_numpy(dtype=float)
    return np.asarray((weight / weight.sum()) @ cell_draws(fitted, pit, cells))


def interval_frame(
    draws: NDArray[np.float64], fitted: FittedModel, pit: str | None = None
) -> pd.DataFrame:
    """Estimate and interval of each row of draws."""
    weights, level = fitted.result.draws.weights, fitted.result.conf_level
    rows = [summarize_draws(row, weights, level) for row in draws]
    frame = pd.DataFrame(rows, columns=["estimate", "conf_low", "conf_high"])
    if pit is not None:
        own = fitted.entries.frame[fitted.entries.frame["pit"] == pit]
        burned, total = int(own["n_burned"].sum()), int(own["n_items"].sum())
        if burned == 0:
            frame["conf_low"] = 0.0
        if burned == total:
            frame["conf_high"] = 1.0
    return frame


def two_sided_p(draws: NDArray[np.float64], fitted: FittedModel) -> float:
    """Twice the smaller posterior tail beyond 0."""
    weights = fitted.result.draws.weights
    below = float(weights[draws < 0].sum() + 0.5 * weights[draws == 0].sum())
    return min(1.0, 2 * min(below, 1 - below))
