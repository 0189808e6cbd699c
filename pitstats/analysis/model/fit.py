"""One fit for every question: from a study and a formula to weighted draws.

`compare_pits` on a layout, `fit_burn_model` and the effect of settings all start here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis import caveats as notes
from pitstats.analysis.fairness.factors import label_of
from pitstats.analysis.model.data import PLACE_COLUMNS, Entries, model_entries
from pitstats.analysis.model.formula import (
    Aliasing,
    ModelColumns,
    ParsedFormula,
    build_design,
    codes_names,
    find_aliases,
    parse_formula,
    plain_name,
    unquoted,
)
from pitstats.analysis.model.standardize import (
    LayoutChoice,
    ReferencePlaces,
    reference_places,
)
from pitstats.analysis.rates.pairs import (
    PAIR_COLUMNS,
    judged,
    pair_rows,
    unequal_effort_caveats,
    withheld_caveats,
)
from pitstats.analysis.rates.posterior import effective_items
from pitstats.errors import DesignError
from pitstats.stats.posterior import ModelRates, model_rates
from pitstats.study.outcomes import bake_totals, graded_bakes, item_outcomes
from pitstats.study.study import Study

METHOD = (
    "posterior of a logistic model with bakes as random effects, by weighted draws; "
    "rates over the layout Beta(1/2, 1/2) a priori, between-bake SD of each pit "
    "half-normal(1.5) up to 2.5 (logit scale) with scores correlated by 1/2 between "
    "pits, slopes over their full range log-F(1,1)"
)
METHOD_SESSIONS = METHOD + ", between-session SD half-normal(1)"

_TEMPERATURES = ("grate_temp", "indicated_temp", "target_temp")


@dataclass(frozen=True, kw_only=True, eq=False)
class FittedModel:
    """A formula fitted to a study.

    Attributes
    ----------
    entries : Entries
        Rows of the model.
    parsed : ParsedFormula
        The formula.
    design : ModelColumns
        What makes columns of it.
    matrix : ndarray, shape (rows, columns)
        Covariates of the rows.
    kept : ndarray of bool, shape (columns,)
        Columns that are in the posterior.
    aliasing : Aliasing
        Columns that the data cannot tell from others.
    layout : ReferencePlaces
        What the rates are averaged over.
    result : ModelRates
        Rates, differences, slopes and draws; its slopes are of the columns kept.
    caveats : tuple of str
        What travels with every result.
    margin : float or None
        Smallest difference that would change advice.
    """

    entries: Entries
    parsed: ParsedFormula
    design: ModelColumns
    matrix: NDArray[np.float64]
    kept: NDArray[np.bool_]
    aliasing: Aliasing
    layout: ReferencePlaces
    result: ModelRates
    caveats: tuple[str, ...]
    margin: float | None

    @property
    def pits(self) -> list[str]:
        """Pits in the order of the arrays."""
        return self.entries.pits

    @property
    def method(self) -> str:
        """Method in words, as used."""
        return METHOD if self.result.session_sd is None else METHOD_SESSIONS

    @property
    def sessions(self) -> int:
        """Sessions that hold bakes of two pits or more; 0 without their effect."""
        if self.result.session_sd is None:
            return 0
        pits = self.entries.frame.groupby("session", observed=True)["pit"].nunique()
        return int((pits >= 2).sum())

    @property
    def n_bakes(self) -> pd.Series:
        """Bakes of each pit in the model."""
        counts = self.entries.frame.groupby("pit", observed=False)["bake"].nunique()
        return counts.set_axis(counts.index.astype("str"))


def fit_model(
    study: Study,
    formula: str,
    layout: LayoutChoice,
    conf_level: float,
    *,
    n_draws: int | None = None,
) -> FittedModel:
    """Fit a formula to a study."""
    parsed = parse_formula(formula)
    entries = model_entries(study, parsed.names)
    design = build_design(parsed, entries.frame)
    matrix = design.matrix(entries.frame)
    pit = entries.frame["pit"].cat.codes.to_numpy().astype(np.intp)
    aliasing = find_aliases(design.columns, matrix, pit)
    places = np.array(
        [codes_names(term) <= set(PLACE_COLUMNS) for term in design.terms], dtype=bool
    )
    kept = ~aliasing.aliased | places
    made = reference_places(layout, entries, parsed.names)
    result = _posterior(
        entries, matrix[:, kept], design, kept, made, conf_level, n_draws
    )
    partial = FittedModel(
        entries=entries,
        parsed=parsed,
        design=design,
        matrix=matrix,
        kept=kept,
        aliasing=aliasing,
        layout=made,
        result=result,
        caveats=(),
        margin=study.settings.margin,
    )
    return _with_caveats(study, partial)


def _posterior(
    entries: Entries,
    X: NDArray[np.float64],
    design: ModelColumns,
    kept: NDArray[np.bool_],
    layout: ReferencePlaces,
    conf_level: float,
    n_draws: int | None,
) -> ModelRates:
    frame = entries.frame
    cells = [design.matrix(own)[:, kept] for own in layout.cells]
    size = max(len(own) for own in cells)
    codes = frame["pit"].cat.codes.to_numpy().astype(np.intp)
    by_pit = np.array(["pit" in term for term in design.terms], dtype=bool)[kept]
    wide = np.zeros((len(cells), size, X.shape[1]))
    weight = np.zeros((len(cells), size))
    for p, (rows, own) in enumerate(zip(cells, layout.cells, strict=True)):
        wide[p, : len(rows)] = rows
        weight[p, : len(rows)] = own["cell_weight"]
    return model_rates(
        frame["n_burned"].to_numpy(),
        frame["n_items"].to_numpy(),
        codes,
        frame["bake"].to_numpy(dtype=str),
        X,
        wide,
        session=_sessions(frame),
        conf_level=conf_level,
        layout_weight=weight,
        X_range=_full_range(X, codes, cells, by_pit),
        n_draws=n_draws,
    )


def _full_range(
    X: NDArray[np.float64],
    pit: NDArray[np.intp],
    cells: list[NDArray[np.float64]],
    by_pit: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Range of each column over items and layout, which the prior of a slope is for.

    A column of one pit is 0 in the others; its range is the one inside the pit.
    """
    own = [np.vstack([X[pit == p], rows]) for p, rows in enumerate(cells)]
    inside = np.max([np.ptp(rows, axis=0) for rows in own], axis=0)
    overall = np.ptp(np.vstack(own), axis=0)
    size = np.where(by_pit & (inside > 0), inside, overall)
    return np.where(size > 0, size, 1.0)


def _sessions(frame: pd.DataFrame) -> NDArray[np.str_]:
    """Session of every row; a bake without one has a session to itself."""
    alone = "\0" + frame["bake"].astype(str)
    return frame["session"].fillna(alone).to_numpy(dtype=str)


# --- tables -------------------------------------------------------------------------


def rate_table(study: Study, fitted: FittedModel) -> pd.DataFrame:
    """Standardized rates of all pits of the study, NaN where a pit has no items."""
    frame = fitted.entries.frame
    pits = study.pits["pit"].tolist()
    grouped = frame.groupby("pit", observed=False)
    table = pd.DataFrame({"pit": pits}).set_index("pit")
    table["n_bakes"] = fitted.n_bakes.reindex(pits, fill_value=0)
    for column in ("n_items", "n_burned"):
        sums = grouped[column].sum()
        sums.index = sums.index.astype(str)
        table[column] = sums.reindex(pits, fill_value=0).astype(int)
    missing = bake_totals(study).groupby("pit")["n_missing"].sum()
    table["n_missing"] = missing.reindex(pits, fill_value=0).astype(int)
    rates = fitted.result.rates
    own = pd.DataFrame(
        {
            "estimate": rates.estimate,
            "conf_low": rates.low,
            "conf_high": rates.high,
            "effective_items": _effective_items(fitted),
        },
        index=fitted.pits,
    )
    return table.join(own).reset_index()


def _effective_items(fitted: FittedModel) -> NDArray[np.float64]:
    """Items that would say as much if each were a bake of its own."""
    total = fitted.entries.frame.groupby("pit", observed=False)["n_items"].sum()
    most = fitted.n_bakes.max()
    return effective_items(fitted.result, total.to_numpy(dtype=float), most)


def difference_table(fitted: FittedModel) -> pd.DataFrame:
    """All pairs with their verdicts; no rows for a single pit."""
    if len(fitted.pits) < 2:
        return pd.DataFrame(columns=list(PAIR_COLUMNS))
    table = pair_rows(fitted.result.differences, fitted.pits, fitted.pits)
    return judged(table, margin=fitted.margin, n_bakes=fitted.n_bakes)


# --- caveats ------------------------------------------------------------------------


def _with_caveats(study: Study, fitted: FittedModel) -> FittedModel:
    found = [
        *_data_caveats(study, fitted),
        *_fit_caveats(fitted),
        *fitted.layout.caveats,
        *_column_caveats(fitted),
        *_formula_caveats(fitted),
    ]
    return replace(fitted, caveats=tuple(dict.fromkeys(found)))


def _data_caveats(study: Study, fitted: FittedModel) -> list[str]:
    entries = fitted.entries
    found = []
    if entries.n_missing:
        found.append(notes.MISSING.format(n=entries.n_missing))
    for column, n in entries.without.items():
        found.append(notes.WITHOUT_COLUMN.format(n=n, column=column))
    graded = graded_bakes(study)
    lost = graded["bake"][~graded["bake"].isin(entries.frame["bake"])]
    if len(lost):
        found.append(notes.BAKES_LOST.format(bakes=", ".join(map(str, lost))))
    gone = [p for p in graded["pit"].drop_duplicates() if p not in fitted.pits]
    if gone:
        found.append(notes.PITS_LOST.format(pits=", ".join(map(str, gone))))
    empty = [p for p in study.pits["pit"] if p not in set(graded["pit"])]
    found += [notes.NO_KEPT_ITEMS.format(pit=pit) for pit in empty]
    n_excluded = int((study.bakes["status"] == "excluded").sum())
    if n_excluded:
        found.append(notes.EXCLUDED.format(n=n_excluded))
    return found


def _fit_caveats(fitted: FittedModel) -> list[str]:
    found = []
    n_bakes = fitted.n_bakes
    if n_bakes.max() <= 1:
        found.append(notes.ONE_BAKE_EACH)
    found += notes.borrowed_spread(n_bakes)
    if len(fitted.pits) > 1:
        pairs = difference_table(fitted)
        found += withheld_caveats(pairs, n_bakes)
        found += unequal_effort_caveats(pairs, n_bakes)
    if fitted.result.cap_mass > 0.5:
        found.append(notes.ALL_OR_NONE)
    if _saturated(fitted):
        found.append(notes.SATURATED)
    found += notes.few_draws(fitted.result.ess)
    return found


def _of_bakes(fitted: FittedModel) -> NDArray[np.bool_]:
    """Columns that are settings of bakes."""
    levels = fitted.entries.levels
    return np.array(
        [
            any(levels[n] == "bake" for n in codes_names(term))
            and all(levels[n] in ("bake", "pit") for n in codes_names(term))
            for term in fitted.design.terms
        ],
        dtype=bool,
    )


def _saturated(fitted: FittedModel) -> bool:
    """Whether settings of bakes leave no bake over to show chance."""
    chosen = _of_bakes(fitted) & ~fitted.aliasing.aliased
    n_bakes = fitted.n_bakes.sum()
    return bool(chosen.any()) and int(chosen.sum()) + len(fitted.pits) >= n_bakes


def _column_caveats(fitted: FittedModel) -> list[str]:
    """Say which columns the data cannot speak about, and why."""
    found = []
    for term in fitted.parsed.terms:
        if term not in fitted.design.terms:
            found.append(notes.NOT_VARIED.format(column=":".join(term)))
    for j, name in enumerate(fitted.design.columns):
        if not fitted.aliasing.aliased[j]:
            continue
        column = _words(fitted, j)
        partners = [plain_name(p) for p in fitted.aliasing.partners[name] if p != "pit"]
        listed = " and ".join(partners) or "the pit"
        if fitted.kept[j]:
            text = notes.PRIOR_ONLY.format(column=plain_name(name), partners=listed)
        elif fitted.aliasing.constant[j]:
            text = notes.NOT_VARIED.format(column=column)
        elif partners:
            text = notes.TIED_TO_OTHERS.format(column=column, partners=listed)
        else:
            text = notes.TIED_TO_PIT.format(column=column)
        found.append(text)
    return found


def _words(fitted: FittedModel, j: int) -> str:
    """Name of a column, or of its whole term if all of it shares the trouble."""
    term = fitted.design.terms[j]
    same = [i for i, other in enumerate(fitted.design.terms) if other == term]
    if fitted.aliasing.aliased[same].all() and "pit" not in term:
        return unquoted(":".join(term))
    return plain_name(fitted.design.columns[j])


def _formula_caveats(fitted: FittedModel) -> list[str]:
    found = []
    if fitted.parsed.pit_added and len(fitted.pits) > 1:
        found.append(notes.PIT_ADDED)
    used = {
        name
        for term, kept in zip(fitted.design.terms, fitted.kept, strict=True)
        if kept
        for name in codes_names(term)
    }
    found += [
        notes.TEMPERATURE_ADJUSTED.format(column=label_of(name))
        for name in _TEMPERATURES
        if name in used
    ]
    unmeasured = sorted(n for n in used if fitted.entries.levels[n] == "bake")
    if any(_is_curve(term) for term in fitted.design.terms):
        found.append(notes.SMOOTH_GUIDE)
        unmeasured.insert(0, "curves along the grate")
    if unmeasured:
        what = ", ".join(map(label_of, unmeasured))
        found.append(notes.LITTLE_MEASURED.format(what=what))
    return found


def _is_curve(term: tuple[str, ...]) -> bool:
    """Whether a term bends along or across the grate."""
    bending = [c for c in term if codes_names([c]) & {"distance", "across"}]
    straight = {"distance", "across"}
    return any(code not in straight for code in bending) or len(bending) > 1


def session_sentence(fitted: FittedModel) -> str:
    """Say whether sessions are in the model, and why."""
    if fitted.result.session_sd is None:
        return notes.SESSIONS_OUT
    return notes.SESSIONS_IN.format(n=fitted.sessions)


def default_formula(study: Study) -> str:
    """One slope per pit, and the grate where some pit used more than one.

    Examples
    --------
    >>> import pitstats as ps
    >>> default_formula(ps.demo_study("one_bake_each"))
    'pit * distance'
    """
    items = item_outcomes(study)
    graded = items[items["burned"].notna()]
    several = (graded.groupby("pit")["grate"].nunique() > 1).any()
    return "pit * distance + grate" if several else "pit * distance"


def check_two_pits(study: Study, pits: list[str]) -> None:
    """Refuse a comparison of fewer than two pits, in words."""
    if len(pits) < 2:
        raise DesignError(
            f"A comparison needs graded items in at least two pits; {len(pits)} of "
            f"{len(study.pits)} pits have any. Add bakes of another pit, or use the "
            "rates of the one pit alone (in Python, estimate_burn_rates)."
        )
