"""Coefficients of a fitted model: posterior, and maximum likelihood beside it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pitstats.analysis.model.fit import FittedModel
from pitstats.analysis.model.predictions import interval_frame
from pitstats.stats.mixed_logistic import MixedLogisticFit, fit_mixed_logistic

SAME_VALUE = "same value throughout"
TIED = "cannot be told from {partners}"
PRIOR = "from the prior alone"
SEPARATED = "no finite maximum likelihood estimate"


def coefficient_table(fitted: FittedModel) -> tuple[pd.DataFrame, float, str]:
    """Coefficients with posterior and maximum likelihood side by side."""
    draws = fitted.result.draws
    pits = [f"pit[{pit}]" for pit in fitted.pits]
    columns = fitted.design.columns
    kept = [name for name, keep in zip(columns, fitted.kept, strict=True) if keep]
    posterior = interval_frame(np.vstack([draws.intercepts, draws.slopes]), fitted)
    posterior.index = pd.Index([*pits, *kept])
    ml, sd, message = _maximum_likelihood(fitted, pits)
    silent = [
        ":".join(term)
        for term in fitted.parsed.terms
        if term not in fitted.design.terms
    ]
    terms = pd.Index([*pits, *columns, *silent], name="term")
    table = posterior.reindex(terms).join(ml.reindex(terms)).reset_index()
    note = {name: "" for name in pits}
    note |= {name: _note(fitted, j) for j, name in enumerate(columns)}
    note |= dict.fromkeys(silent, SAME_VALUE)
    table["note"] = table["term"].map(note)
    finite = np.isfinite(table["ml_estimate"].to_numpy(dtype=float))
    table.loc[~finite & (table["note"] == ""), "note"] = SEPARATED
    return table, sd, message


def _note(fitted: FittedModel, j: int) -> str:
    if not fitted.aliasing.aliased[j]:
        return ""
    if fitted.kept[j]:
        return PRIOR
    if fitted.aliasing.constant[j]:
        return SAME_VALUE
    partners = fitted.aliasing.partners[fitted.design.columns[j]]
    others = [name for name in partners if name != "pit"]
    return TIED.format(partners=" and ".join(others) or "the pits")


def _maximum_likelihood(
    fitted: FittedModel, pits: list[str]
) -> tuple[pd.DataFrame, float, str]:
    """Quadrature fit of the columns that the data determine."""
    clear = ~fitted.aliasing.aliased
    names = [
        *pits,
        *(n for n, c in zip(fitted.design.columns, clear, strict=True) if c),
    ]
    frame = fitted.entries.frame
    dummies = np.eye(len(pits))[frame["pit"].cat.codes.to_numpy()]
    nothing = pd.DataFrame(
        np.nan,
        index=pd.Index(names),
        columns=["ml_estimate", "ml_std_error", "ml_low", "ml_high"],
    )
    level = fitted.result.conf_level
    try:
        fit = fit_mixed_logistic(
            frame["n_burned"].to_numpy(),
            frame["n_items"].to_numpy(),
            np.hstack([dummies, fitted.matrix[:, clear]]),
            frame["bake"].to_numpy(dtype=str),
            conf_level=level,
            names=names,
        )
    except (ValueError, np.linalg.LinAlgError) as error:
        return nothing, float("nan"), str(error)
    return _wald(nothing, fit, level), fit.group_sd, fit.message


def _wald(table: pd.DataFrame, fit: MixedLogisticFit, level: float) -> pd.DataFrame:
    """Wald intervals; where an estimate is infinite, its finite end from profiles."""
    from scipy.special import ndtri

    reach = float(ndtri(0.5 + level / 2)) * fit.std_error
    table["ml_estimate"] = fit.coef
    table["ml_std_error"] = fit.std_error
    table["ml_low"] = np.where(np.isinf(fit.coef), -np.inf, fit.coef - reach)
    table["ml_high"] = np.where(np.isinf(fit.coef), np.inf, fit.coef + reach)
    up = fit.coef == np.inf
    down = fit.coef == -np.inf
    table.loc[up, "ml_low"] = fit.bound[up]
    table.loc[down, "ml_high"] = fit.bound[down]
    return table
