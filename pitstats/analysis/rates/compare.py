"""Which pit burns more, and is it more than luck? All pairs of pits."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import pandas as pd

from pitstats.analysis import caveats as notes
from pitstats.analysis.model.fit import (
    FittedModel,
    check_two_pits,
    default_formula,
    difference_table,
    fit_model,
    rate_table,
    session_sentence,
)
from pitstats.analysis.model.standardize import LayoutChoice
from pitstats.analysis.places.coverage import layouts_differ
from pitstats.analysis.rates.earlier import EarlierSpreadAnswer, borrow_for
from pitstats.analysis.rates.looks import look_and_level
from pitstats.analysis.rates.pairs import (
    judged,
    pair_rows,
    unequal_effort_caveats,
    withheld_caveats,
)
from pitstats.analysis.rates.posterior import bake_posterior, rate_draws, spread_table
from pitstats.analysis.rates.rates import estimate_burn_rates
from pitstats.analysis.results import PitComparison
from pitstats.errors import DesignError
from pitstats.stats.bake_model import BakeRates
from pitstats.stats.borrowed_spread import BORROWED_WEIGHT
from pitstats.stats.intervals import newcombe_difference
from pitstats.study.outcomes import graded_bakes
from pitstats.study.study import Study

ESTIMAND = "difference of long-run burn rates, first pit minus second"


def compare_pits(
    study: Study,
    *,
    layout: LayoutChoice | None = None,
    formula: str | None = None,
    conf_level: float | None = None,
    earlier: bool | None = None,
) -> PitComparison:
    """Compare the long-run burn rates of all pairs of pits.

    Parameters
    ----------
    study : Study
        A valid study with graded items in at least two pits.
    layout : {"common", "as baked"} or pandas.DataFrame, optional
        What the rates are averaged over. By default each pit's own items, from counts
        alone. ``"common"``: the places that lie, on a grate that all pits used, within
        the stretch that every pit used. ``"as baked"``: each pit's own places, by the
        model. A table: cells of one's own with ``grate`` and ``distance`` (or
        ``column``), optionally ``cell_weight``, ``pit`` and other columns of the
        formula.
    formula : str, optional
        Model behind a layout, as for `fit_burn_model`; by default one slope per pit,
        ``"pit * distance"``, and ``+ grate`` where some pit used more than one. With a
        formula and no layout, the layout is ``"as baked"``.
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.
    earlier : bool, optional
        Whether the answer that borrows the spread between bakes from earlier tests
        (``[earlier]`` in ``study.toml``) leads. When not given it leads if it was
        declared before the bakes. As baked only, and with bakes on days of their own.
        Both answers stand in ``earlier``; with False nothing is borrowed.

    Returns
    -------
    PitComparison
        One row per pair. With more than two pits the verdicts follow the
        simultaneous intervals.

    Raises
    ------
    DesignError
        If fewer than two pits have graded items; if a spread is to be borrowed and none
        is stated, or over a layout; with a layout also if the pits have
        no place in common, or bakes of which only totals are known meet a formula
        with columns of items.

    Notes
    -----
    ``p_value`` belongs to one pair on its own; ``p_adjusted`` allows for all pairs and
    is below ``1 - conf_level`` exactly when the simultaneous interval excludes 0.

    Where the record names several looks (``[looks]`` in ``study.toml``) the intervals
    are repeated confidence intervals at the level of the present look, which stands in
    ``conf_level``; see `stats.stopping_levels`. They are wider where sessions hold
    several pits. A ``conf_level`` of one's own is used as it is.

    Standardized rates come from `stats.model_rates`, where the model, its priors and
    their sources are given; averaging over the same cells for all pits is the
    g-formula [1]_.

    References
    ----------
    .. [1] Muller CJ, MacLehose RF (2014), Estimating predicted probabilities from
       logistic regression: different methods correspond to different target
       populations, International Journal of Epidemiology 43:962-970.

    Examples
    --------
    >>> import pitstats as ps
    >>> comparison = ps.compare_pits(ps.demo_study("one_bake_each"))
    >>> set(comparison.table["verdict"])
    {'one bake each'}

    The same pits over the same places:

    >>> common = ps.compare_pits(ps.demo_study("four_pits"), layout="common")
    >>> common.formula
    'pit * distance + grate'
    """
    look, level = look_and_level(study, conf_level)
    if layout is None and formula is None:
        return replace(_as_counted(study, level, earlier), look=look)
    if earlier:
        raise DesignError(
            "A spread can be borrowed only for the comparison as baked; leave layout "
            "and formula out."
        )
    chosen = "as baked" if layout is None else layout
    fitted = fit_model(study, formula or default_formula(study), chosen, level)
    check_two_pits(study, fitted.pits)
    return replace(_standardized(study, fitted, level), look=look)


def _as_counted(
    study: Study, level: float, earlier: bool | None = None
) -> PitComparison:
    """Compare from the counts of bakes, over whatever places the items had."""
    rates = estimate_burn_rates(study, level)
    graded = graded_bakes(study)
    pits = [p for p in study.pits["pit"] if p in set(graded["pit"])]
    check_two_pits(study, pits)
    n_bakes = rates.table.set_index("pit")["n_bakes"]
    table = pair_table(graded, pits, level, study.settings.margin)
    posterior = bake_posterior(graded, level)
    draws, note = None, ""
    if not isinstance(posterior.result, BakeRates):
        draws = rate_draws(posterior.pits, posterior.result)
        note = notes.SESSIONS_IN.format(n=posterior.sessions)
    found = [
        *rates.caveats,
        *withheld_caveats(table, n_bakes),
        *unequal_effort_caveats(table, n_bakes),
    ]
    if layouts_differ(study):
        found.append(notes.LAYOUTS_DIFFER)
    borrowed = None
    if earlier or (earlier is None and study.settings.earlier_sd):
        if draws is None:
            asked = bool(earlier)
            borrowed = borrow_for(study, graded, pits, table, level, asked=asked)
            found += borrowed.sentences
        elif earlier:
            raise DesignError(notes.SESSIONS_NOT_BORROWED)
        else:
            found.append(notes.SESSIONS_NOT_BORROWED)
    leads = borrowed if borrowed is not None and borrowed.leads else None
    method = rates.method
    if leads is not None:
        table, draws = leads.borrowed, leads.draws
        method += f"; borrowed with prior weight {BORROWED_WEIGHT:g}: {leads.source}"
    return PitComparison(
        table=table,
        naive=naive_differences(rates.table, pits, level),
        n_bakes=n_bakes,
        layout="as baked",
        margin=study.settings.margin,
        estimand=ESTIMAND,
        method=method,
        conf_level=level,
        caveats=tuple(found),
        rates=_with_rates(rates.table, leads),
        sessions=rates.sessions,
        session_note=note,
        draws=draws,
        earlier=borrowed,
    )


def _with_rates(
    rates: pd.DataFrame, borrowed: EarlierSpreadAnswer | None
) -> pd.DataFrame:
    """Rates that belong to the answer: with the borrowed spread where there is one."""
    if borrowed is None:
        return rates
    own = borrowed.rates.set_index("pit")
    found = rates.copy()
    for column in ("estimate", "conf_low", "conf_high"):
        found[column] = found["pit"].map(own[column]).fillna(found[column])
    return found


def _standardized(study: Study, fitted: FittedModel, level: float) -> PitComparison:
    """Compare rates over a layout, from the draws of the model."""
    rates = rate_table(study, fitted)
    return PitComparison(
        table=difference_table(fitted),
        naive=naive_differences(rates, fitted.pits, level),
        n_bakes=rates.set_index("pit")["n_bakes"],
        layout=fitted.layout.name,
        margin=fitted.margin,
        estimand=f"{ESTIMAND}. {fitted.layout.description}",
        method=fitted.method,
        conf_level=level,
        caveats=fitted.caveats,
        rates=rates,
        formula=fitted.parsed.text,
        layout_note=fitted.layout.description,
        session_note=session_sentence(fitted),
        sessions=fitted.sessions,
        cells=fitted.layout.table,
        support=fitted.layout.support,
        bake_sd=spread_table(
            rates.set_index("pit")["n_bakes"], fitted.pits, fitted.result.bake_sd
        ),
        draws=rate_draws(tuple(fitted.pits), fitted.result),
    )


def pair_table(
    bakes: pd.DataFrame, pits: list[str], level: float, margin: float | None
) -> pd.DataFrame:
    """Intervals and verdicts of all pairs, from bakes with their counts."""
    posterior = bake_posterior(bakes, level)
    table = pair_rows(posterior.result.differences, posterior.pits, pits)
    return judged(table, margin=margin, n_bakes=bakes["pit"].value_counts())


def naive_differences(
    rates: pd.DataFrame, pits: list[str], level: float
) -> pd.DataFrame:
    """Newcombe's intervals of all pairs from pooled counts, as if items counted.

    Examples
    --------
    >>> counts = pd.DataFrame({"pit": ["A", "B"], "n_items": 10, "n_burned": [9, 3]})
    >>> naive_differences(counts, ["A", "B"], 0.95).round(4)["conf_low"].item()
    0.1705
    """
    counts = rates.set_index("pit")[["n_burned", "n_items"]]
    rows = []
    for a, b in combinations(pits, 2):
        burned, total = counts.loc[[a, b], "n_burned"], counts.loc[[a, b], "n_items"]
        low, high = newcombe_difference(burned.to_numpy(), total.to_numpy(), level)
        rows.append((a, b, float(low), float(high)))
    return pd.DataFrame(rows, columns=["pit_a", "pit_b", "conf_low", "conf_high"])
