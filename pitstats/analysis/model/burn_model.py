"""Burning explained by place, pit and settings: one model for a study."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from pitstats.analysis import caveats as notes
from pitstats.analysis.model.coefficients import coefficient_table
from pitstats.analysis.model.fit import (
    FittedModel,
    difference_table,
    fit_model,
    rate_table,
    session_sentence,
)
from pitstats.analysis.model.predictions import (
    cell_draws,
    interval_frame,
    mean_draws,
    two_sided_p,
)
from pitstats.analysis.model.standardize import (
    LayoutChoice,
    complete_cells,
    curve_cells,
    used_at,
    used_stretch,
)
from pitstats.analysis.rates.looks import checked_level, look_and_level
from pitstats.errors import DesignError
from pitstats.study.html_text import notebook_html
from pitstats.study.study import Study

ESTIMAND = "probability that an item is graded burned, averaged over bakes"
ML_METHOD = (
    "beside it maximum likelihood by adaptive Gauss-Hermite quadrature (25 nodes) with "
    "the bake as only random effect; its Wald intervals are too short with few bakes"
)


@dataclass(frozen=True, kw_only=True, eq=False)
class BurnModel:
    """A model of burning, with what can be asked of it.

    Attributes
    ----------
    formula : str
        As used.
    coefficients : pandas.DataFrame
        One row per pit (its level in a middling bake, all columns 0) and per column of
        the formula: ``term, estimate, conf_low, conf_high, ml_estimate, ml_std_error,
        ml_low, ml_high, note``, on the logit scale. The first three are posterior mean
        and interval, the ``ml`` columns maximum likelihood with Wald intervals. NaN
        with a ``note`` where the data say nothing.
    spread : pandas.DataFrame
        ``effect`` ("bake" of each pit, and "session" if it is in the model), ``pit,
        estimate, conf_low, conf_high, ml_estimate``: standard deviations on the logit
        scale; maximum likelihood has one for the bakes of all pits.
    rates, differences : pandas.DataFrame
        Rates of the pits over the layout and all pairs, with the columns of
        `BurnRates.table` and `PitComparison.table`.
    layout, layout_note : str
        Which layout, and what it is in a sentence.
    cells, support : pandas.DataFrame
        Places of the layout, and graded items of each pit at each of them.
    session_note : str
        Whether sessions are in the model, and why.
    n_items, n_missing : int
        Graded items in the model; items without a grade.
    n_bakes : pandas.Series
        Bakes of each pit in the model.
    """

    formula: str
    coefficients: pd.DataFrame
    spread: pd.DataFrame
    rates: pd.DataFrame
    differences: pd.DataFrame
    layout: str
    layout_note: str
    cells: pd.DataFrame
    support: pd.DataFrame
    session_note: str
    n_items: int
    n_missing: int
    n_bakes: pd.Series
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]
    fitted: FittedModel = field(repr=False)

    @property
    def table(self) -> pd.DataFrame:
        """The coefficients, as every result has its table."""
        return self.coefficients

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the coefficients."""
        return self.coefficients.copy()

    def _repr_html_(self) -> str:
        return notebook_html(self.estimand, self.coefficients, self.caveats)

    def predict(self, cells: pd.DataFrame) -> pd.DataFrame:
        """Long-run burn probability of single cells, with intervals.

        Parameters
        ----------
        cells : pandas.DataFrame
            One row per cell: ``pit`` and the places that the formula uses (``grate``,
            and ``distance`` or ``column``); other columns of the formula that are not
            given are held at their mean over the bakes, or take the bakes' mix.

        Returns
        -------
        pandas.DataFrame
            The cells with ``estimate, conf_low, conf_high``.

        Raises
        ------
        DesignError
            If a pit is unknown or a place is missing.

        Examples
        --------
        >>> import pandas as pd
        >>> import pitstats as ps
        >>> model = ps.fit_burn_model(ps.demo_study("unfair_order"), "pit * distance")
        >>> cells = pd.DataFrame({"pit": "Mill", "distance": [0.1, 0.9]})
        >>> near, far = model.predict(cells)["estimate"]
        >>> bool(near > far)
        True
        """
        if "pit" not in cells.columns and len(self.fitted.pits) > 1:
            raise DesignError("The cells lack the column pit.")
        table = cells.reset_index(drop=True)
        if "pit" not in table.columns:
            table = table.assign(pit=self.fitted.pits[0])
        unknown = sorted(set(table["pit"].astype(str)) - set(self.fitted.pits))
        if unknown:
            raise DesignError(
                f"The cells name {', '.join(unknown)}; the pits of the model are "
                f"{', '.join(self.fitted.pits)}."
            )
        rows = [self._predict_row(table.iloc[[i]]) for i in range(len(table))]
        found = pd.concat(rows, ignore_index=True) if rows else pd.DataFrame()
        return pd.concat([table, found], axis=1)

    def _predict_row(self, row: pd.DataFrame) -> pd.DataFrame:
        pit, parsed = str(row["pit"].iloc[0]), self.fitted.parsed
        own = row.drop(columns="pit").assign(cell_weight=1.0)
        full = complete_cells(own, self.fitted.entries, parsed.names, pit)
        draws = mean_draws(self.fitted, pit, full)[None, :]
        return interval_frame(draws, self.fitted, pit)

    def contrast(self, weights: Mapping[str, float]) -> pd.DataFrame:
        """Weighted sum of coefficients on the logit scale, with its interval.

        Parameters
        ----------
        weights : mapping of str to float
            Weight of each coefficient, by ``term``; the others count nothing.

        Returns
        -------
        pandas.DataFrame
            One row: ``contrast, estimate, conf_low, conf_high, p_value``.

        Raises
        ------
        DesignError
            If a term is unknown, or the data say nothing about it.

        Examples
        --------
        Is the fall along the grate steeper in Quarry than in Mill?

        >>> import pitstats as ps
        >>> model = ps.fit_burn_model(ps.demo_study("unfair_order"), "pit * distance")
        >>> found = model.contrast(
        ...     {"pit[Quarry]:distance": 1, "pit[Mill]:distance": -1})
        >>> found["contrast"].item()
        '1 pit[Quarry]:distance - 1 pit[Mill]:distance'
        """
        known = self._term_draws()
        for term in weights:
            if term not in set(self.coefficients["term"]):
                names = ", ".join(self.coefficients["term"])
                raise DesignError(f"There is no term {term!r}; the terms are {names}.")
            if term not in known:
                raise DesignError(f"{term} is not in the model; see its note.")
        if not weights:
            raise DesignError("Give the weight of at least one term.")
        draws = sum(w * known[term] for term, w in weights.items())
        values = np.asarray(draws)
        frame = interval_frame(values[None, :], self.fitted)
        words = " ".join(f"{'-' if w < 0 else '+'} {abs(w):g} {t}" for t, w in
                         weights.items()).removeprefix("+ ")  # fmt: skip
        frame.insert(0, "contrast", words)
        return frame.assign(p_value=two_sided_p(values, self.fitted))

    def _term_draws(self) -> dict[str, np.ndarray]:
        draws, fitted = self.fitted.result.draws, self.fitted
        names = [f"pit[{pit}]" for pit in fitted.pits]
        kept = np.array(fitted.design.columns, dtype=object)[fitted.kept]
        both = zip([*names, *kept], [*draws.intercepts, *draws.slopes], strict=True)
        return {str(name): row for name, row in both}

    def distance_curve(
        self, grate: str | None = None, *, n_points: int = 25
    ) -> pd.DataFrame:
        """Burn probability along the grate, pit by pit, for a figure with bands.

        Parameters
        ----------
        grate : str, optional
            On this grate; by default over the mix of grates of the layout.
        n_points : int, default 25
            Points of each curve.

        Returns
        -------
        pandas.DataFrame
            ``pit, distance, estimate, conf_low, conf_high, n_items``. ``distance`` runs
            from the first to the last place at which the pit had graded items (on
            these grates; a single row where that is one place): nearer the walls only
            the assumed shape would speak. ``n_items`` is the number of graded items of
            the pit in the cells there, 0 in a gap between its items.

        Raises
        ------
        DesignError
            If the formula does not use the distance.

        Examples
        --------
        >>> import pitstats as ps
        >>> model = ps.fit_burn_model(
        ...     ps.demo_study("unfair_order"), "pit * (distance + hump(distance))")
        >>> curve = model.distance_curve()
        >>> curve.groupby("pit")["distance"].min().round(2).to_dict()
        {'Mill': 0.08, 'Orchard': 0.08, 'Quarry': 0.08}
        """
        return _curve(self.fitted, grate, n_points)


def fit_burn_model(
    study: Study,
    formula: str,
    *,
    layout: LayoutChoice = "common",
    conf_level: float | None = None,
) -> BurnModel:
    """Fit a model of burning to the items of a study.

    Parameters
    ----------
    study : Study
        A valid study; only kept bakes enter.
    formula : str
        Columns that may explain burning: ``pit``; places ``distance`` (0 firebox wall
        to 1 far wall), ``across``, ``grate``, ``row``, ``column``; any column of
        bakes, items or pits, also of one's own (in ``Q("...")`` if its name has
        spaces). ``+`` adds, ``:`` and ``*`` make interactions, and functions such as
        ``np.log`` and ``hump`` (``4 d (1 - d)``) may be used:
        ``"pit * (distance + hump(distance)) + grate"`` lets every pit have a curve of
        its own.
    layout : {"common", "as baked"} or pandas.DataFrame, default "common"
        What the rates are averaged over, as in `compare_pits`.
    conf_level : float, optional
        Between 0 and 1; the study's own level when not given.

    Returns
    -------
    BurnModel

    Raises
    ------
    DesignError
        If the formula cannot be read or computed, uses unknown, empty or outcome
        columns, or the layout does not fit; if bakes of which only totals are known
        meet a column of items.

    Notes
    -----
    The effect of the bake is always in the model, a session effect if at least two
    sessions each hold bakes of two or more pits. Every pit has a level of its own.
    The posterior, its priors and their sources are those of `stats.model_rates`;
    maximum likelihood is that of `stats.fit_mixed_logistic`.

    A setting that does not vary, or never varies within a pit, is left out with a row
    of NaN, a note and a caveat. Places that the data cannot tell apart stay in with
    their prior, so that the rates carry the doubt.

    The prior on the rates belongs to the stated layout; curves, cells and contrasts
    use the draws of that layout.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("four_pits")
    >>> model = ps.fit_burn_model(study, "pit + distance + grate + damper_open")
    >>> model.coefficients.set_index("term").loc["damper_open", "note"]
    'same value throughout'
    """
    level = checked_level(study, conf_level)
    fitted = fit_model(study, formula, layout, level)
    coefficients, ml_sd, message = coefficient_table(fitted)
    caveats = fitted.caveats
    if message:
        caveats = (*caveats, notes.ML_FAILED.format(reason=message))
    return BurnModel(
        formula=fitted.parsed.text,
        coefficients=coefficients,
        spread=_spread(fitted, ml_sd),
        rates=rate_table(study, fitted),
        differences=difference_table(fitted),
        layout=fitted.layout.name,
        layout_note=fitted.layout.description,
        cells=fitted.layout.table,
        support=fitted.layout.support,
        session_note=session_sentence(fitted),
        n_items=int(fitted.entries.frame["n_items"].sum()),
        n_missing=fitted.entries.n_missing,
        n_bakes=fitted.n_bakes,
        estimand=f"{ESTIMAND}. {fitted.layout.description}",
        method=f"{fitted.method}; {ML_METHOD}",
        conf_level=level,
        caveats=caveats,
        fitted=fitted,
    )


# A guide for the eye needs no third digit; ends scatter by about 0.01.
_CURVE_DRAWS = 2048


def distance_curves(
    study: Study, *, conf_level: float | None = None, n_points: int = 13
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Burn probability along the grate, a curve of its own for every pit.

    Parameters
    ----------
    study : Study
        A valid study with graded items on known places.
    conf_level : float, optional
        Between 0 and 1; the study's own level when not given.
    n_points : int, default 13
        Points of each curve.

    Returns
    -------
    curves : pandas.DataFrame
        As `BurnModel.distance_curve` gives it, for the formula ``pit * (distance +
        hump(distance))`` over the common layout: each curve only over the stretch of
        places that the pit's own graded items lay on.
    caveats : tuple of str
        What to say beside it.

    Raises
    ------
    DesignError
        As for `fit_burn_model`.

    Notes
    -----
    The same posterior as `fit_burn_model`, without the maximum likelihood beside it.

    Examples
    --------
    >>> import pitstats as ps
    >>> curves, caveats = ps.distance_curves(ps.demo_study("unfair_order"))
    >>> len(curves)
    39
    """
    _, level = look_and_level(study, conf_level)
    fitted = fit_model(
        study,
        "pit * (distance + hump(distance))",
        "common",
        level,
        n_draws=_CURVE_DRAWS,
    )
    shown = {grate for cells in fitted.layout.cells for grate in cells.get("grate", ())}
    left_out = sorted(set(fitted.entries.frame["grate"].dropna()) - shown)
    caveats = list(fitted.caveats)
    if shown and left_out:
        caveats.append(notes.CURVES_WITHOUT.format(grates=", ".join(left_out)))
    return _curve(fitted, None, n_points), tuple(caveats)


def _curve(fitted: FittedModel, grate: str | None, n_points: int) -> pd.DataFrame:
    """Probabilities along the grate from the draws of a fitted model."""
    if not {"distance", "column", "distance_length"} & set(fitted.parsed.names):
        raise DesignError(
            f"The formula {fitted.parsed.text!r} does not use the distance; write for "
            "example 'pit * (distance + hump(distance))'."
        )
    frames = []
    for pit, cells in zip(fitted.pits, fitted.layout.cells, strict=True):
        if grate is not None:
            grates: set[str] | None = {grate}
        else:
            grates = set(cells["grate"]) if "grate" in cells.columns else None
        distance = np.linspace(*used_stretch(fitted.entries, pit, grates), n_points)
        # Items at one place make one point.
        distance = distance[:1] if distance[0] == distance[-1] else distance
        grid = curve_cells(
            cells, distance, fitted.entries, fitted.parsed.names, pit, grate
        )
        if grid is None:
            continue
        # One set of draws for all points, averaged over settings and grates.
        at = np.searchsorted(distance, grid["distance"])
        share = np.zeros((len(distance), len(grid)))
        share[at, np.arange(len(grid))] = grid["cell_weight"]
        share /= share.sum(axis=1, keepdims=True)
        draws = share @ cell_draws(fitted, pit, grid)
        frame = interval_frame(draws, fitted, pit)
        frame.insert(0, "pit", pit)
        frame.insert(1, "distance", distance)
        n_items = used_at(distance, fitted.entries, pit, grates)
        frames.append(frame.assign(n_items=n_items))
    return pd.concat(frames, ignore_index=True)


def _spread(fitted: FittedModel, ml_sd: float) -> pd.DataFrame:
    """Standard deviations between bakes of each pit and between sessions."""
    result = fitted.result
    rows = [
        ("bake", pit, *ends, ml_sd)
        for pit, *ends in zip(fitted.pits, *result.bake_sd, strict=True)
    ]
    if result.session_sd is not None:
        rows.append(("session", "", *result.session_sd, np.nan))
    columns = ["effect", "pit", "estimate", "conf_low", "conf_high", "ml_estimate"]
    return pd.DataFrame(rows, columns=columns)
