"""What does a setting do? Damper, intake or any other, within pits that varied it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis import caveats as notes
from pitstats.analysis.fairness.factors import label_of
from pitstats.analysis.model.data import column_levels, model_entries
from pitstats.analysis.model.fit import FittedModel, default_formula, fit_model
from pitstats.analysis.model.formula import parse_formula
from pitstats.analysis.model.predictions import interval_frame, mean_draws, two_sided_p
from pitstats.analysis.rates.looks import look_and_level
from pitstats.analysis.rates.pairs import verdicts
from pitstats.analysis.results import SettingEffect
from pitstats.errors import DesignError
from pitstats.study.columns import suggestion
from pitstats.study.outcomes import bake_totals
from pitstats.study.study import Study

ALL = "all"
_HEAT = "grate_temp"


class _Step(NamedTuple):
    """Two values of a setting within a pit, and the bakes at each."""

    pit: str
    low: float | str
    high: float | str
    n_low: int
    n_high: int


def estimate_setting_effect(
    study: Study, column: str, *, conf_level: float | None = None
) -> SettingEffect:
    """Estimate what a setting does within the pits in which it was varied.

    Parameters
    ----------
    study : Study
        A valid study.
    column : str
        A column of bakes, such as ``"damper_open"``, ``"intake_open"``, ``"plate"``
        or one of your own.
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.

    Returns
    -------
    SettingEffect
        For numbers the step from the lowest to the highest value tried in the pit, for
        words from the first value (in alphabetical order) to each other. With two or
        more such pits also one common effect. Where the grate temperature is recorded,
        everything once more adjusted for it.

    Raises
    ------
    DesignError
        If the column is not one of bakes, or is empty.

    Notes
    -----
    Only bakes of the same pit are set against each other, so what differs between
    pits does not enter; where a setting never varied within a pit, nothing can be
    said, and the comparison of pits is one of pits as set up. The rates are those of
    `fit_burn_model` with the effect of the setting, one per pit, over the pit's own
    places. The setting belongs to whole bakes, so bakes are what counts.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("unfair_order")
    >>> effect = ps.estimate_setting_effect(study, "damper_open")
    >>> effect.table["estimate"].isna().all().item()
    True
    >>> "as set up" in effect.caveats[0]
    True
    """
    _, level = look_and_level(study, conf_level)
    _check_column(study, column)
    base = _base_formula(study)
    bakes = _bakes_with(study, base, column)
    steps = _steps(bakes, column)
    rows: list[pd.DataFrame] = []
    fits: list[FittedModel] = []
    for heat in _adjustments(bakes, column) if steps else ():
        for common in (False, True)[: 1 + _several(steps)]:
            fitted, frame = _effects(study, base, column, steps, heat, common, level)
            rows.append(frame)
            fits.append(fitted)
    idle = _idle_rows(study, steps)
    table = pd.concat([*rows, idle], ignore_index=True) if rows else idle
    few = _few(table, bakes, column)
    table["verdict"] = _verdicts(study, table, few)
    table.loc[few, "p_value"] = np.nan
    return SettingEffect(
        table=table,
        column=column,
        formula=fits[0].parsed.text if fits else "",
        estimand=f"burn rate at one value of {column} less that at another, within a "
        "pit, over its own places and averaged over bakes",
        method=fits[0].method if fits else "",
        conf_level=level,
        caveats=_caveats(study, bakes, column, steps, fits),
    )


def _check_column(study: Study, column: str) -> None:
    levels = column_levels(study)
    of_bakes = sorted(n for n, level in levels.items() if level == "bake")
    if column not in levels:
        raise DesignError(
            f"The study has no column {column!r}. {suggestion(column, of_bakes)}"
        )
    if levels[column] != "bake":
        raise DesignError(
            f"{column!r} is not a setting of bakes. Columns of bakes are "
            f"{', '.join(of_bakes)}; for others use fit_burn_model."
        )


def _base_formula(study: Study) -> str:
    """Slopes along the grate where every graded bake has places, else pits alone."""
    totals = bake_totals(study)
    counted = (totals["source"] == "counts") & (totals["n_items"] > 0)
    return "pit" if counted.any() else default_formula(study)


def _bakes_with(study: Study, base: str, column: str) -> pd.DataFrame:
    """Bakes that enter the model, with setting, grate temperature and session."""
    entries = model_entries(study, [*parse_formula(base).names, column])
    frame = entries.frame.drop_duplicates("bake").copy()
    heat = study.bakes.set_index("bake")[_HEAT].reindex(frame["bake"])
    frame[_HEAT] = heat.to_numpy(dtype=float, na_value=np.nan)
    return frame


def _steps(bakes: pd.DataFrame, column: str) -> list[_Step]:
    steps = []
    for pit, own in bakes.groupby("pit", observed=True):
        values = sorted(own[column].unique())
        if len(values) < 2:
            continue
        others = values[-1:] if _is_number(bakes, column) else values[1:]
        counts = own[column].value_counts()
        steps += [
            _Step(str(pit), values[0], v, int(counts[values[0]]), int(counts[v]))
            for v in others
        ]
    return steps


def _is_number(bakes: pd.DataFrame, column: str) -> bool:
    return bool(pd.api.types.is_numeric_dtype(bakes[column].dtype))


def _several(steps: list[_Step]) -> bool:
    """Whether the same step was taken in more than one pit, for a common effect."""
    return len({step.pit for step in steps}) > 1


def _adjustments(bakes: pd.DataFrame, column: str) -> tuple[str, ...]:
    """Without, and with grate temperature where it is known and varied in a pit."""
    known = bakes[_HEAT].notna().all()
    varied = (bakes.groupby("pit", observed=True)[_HEAT].nunique() > 1).any()
    return ("", _HEAT) if known and varied and column != _HEAT else ("",)


def _effects(
    study: Study,
    base: str,
    column: str,
    steps: list[_Step],
    heat: str,
    common: bool,
    level: float,
) -> tuple[FittedModel, pd.DataFrame]:
    """Rows of one fit: an effect of its own for every pit, or one for all."""
    name = column if column.isidentifier() else f"Q({column!r})"
    formula = f"{base} + {name if common else f'pit:{name}'}"
    fitted = fit_model(
        study, formula + (f" + {heat}" if heat else ""), "as baked", level
    )
    rows = []
    for step in _common_steps(steps) if common else steps:
        pits = _tried(steps, step) if common else [step.pit]
        change = np.mean([_change(fitted, pit, column, step) for pit in pits], axis=0)
        row = interval_frame(change[None, :], fitted)
        row["p_value"] = two_sided_p(change, fitted)
        rows.append(_labeled(step, heat).join(row))
    return fitted, pd.concat(rows, ignore_index=True)


def _common_steps(steps: list[_Step]) -> list[_Step]:
    """Steps for all pits together: the widest for numbers, each pair for words."""
    pairs = dict.fromkeys((s.low, s.high) for s in steps)
    if not isinstance(steps[0].low, str):
        pairs = {(min(low for low, _ in pairs), max(high for _, high in pairs)): None}
    return [
        _Step(
            ALL,
            low,
            high,
            sum(s.n_low for s in steps if s.low == low),
            sum(s.n_high for s in steps if s.high == high),
        )
        for low, high in pairs
    ]


def _tried(steps: list[_Step], wanted: _Step) -> list[str]:
    """Pits over which a common step is averaged."""
    if not isinstance(wanted.low, str):
        return [step.pit for step in steps]
    return [s.pit for s in steps if (s.low, s.high) == (wanted.low, wanted.high)]


def _change(
    fitted: FittedModel, pit: str, column: str, step: _Step
) -> NDArray[np.float64]:
    """Draws of the rate at the new value less that at the old one."""
    cells = fitted.layout.cells[fitted.pits.index(pit)]
    at = [
        mean_draws(fitted, pit, cells.assign(**{column: value}))
        for value in (step.low, step.high)
    ]
    return np.asarray(at[1] - at[0])


def _labeled(step: _Step, heat: str) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "pit": [step.pit],
            "from_value": [step.low],
            "to_value": [step.high],
            "adjusted_for": [heat],
            "n_bakes_from": [step.n_low],
            "n_bakes_to": [step.n_high],
        }
    )


def _idle_rows(study: Study, steps: list[_Step]) -> pd.DataFrame:
    """Rows of NaN for the pits in which the setting did not vary."""
    tried = {step.pit for step in steps}
    idle = [pit for pit in study.pits["pit"] if pit not in tried]
    frame = pd.DataFrame({"pit": idle})
    for name in ("from_value", "to_value"):
        frame[name] = np.nan
    frame["adjusted_for"] = ""
    frame[["n_bakes_from", "n_bakes_to"]] = 0
    for name in ("estimate", "conf_low", "conf_high", "p_value"):
        frame[name] = np.nan
    return frame


def _few(table: pd.DataFrame, bakes: pd.DataFrame, column: str) -> list[bool]:
    """Effects whose bakes tell too little of how much bakes differ, as between pits.

    Two bakes beyond the rates that are estimated, as two pits have with two bakes each
    or with one beside three.
    """
    found = []
    for pit in table["pit"]:
        tried = set(table["pit"]) if pit == ALL else {pit}
        own = bakes[bakes["pit"].isin(tried)]
        steps = 1 if _is_number(bakes, column) else own[column].nunique() - 1
        found.append(len(own) < own["pit"].nunique() + steps + 2)
    return found


def _verdicts(study: Study, table: pd.DataFrame, few: list[bool]) -> list[str]:
    """Verdict of each row; a pit as set up has none."""
    found = verdicts(
        table["conf_low"],
        table["conf_high"],
        margin=study.settings.margin,
        one_bake_each=False,
        withheld=few,
    )
    known = table["estimate"].notna()
    return [v if k else "as set up" for v, k in zip(found, known, strict=True)]


def _caveats(
    study: Study,
    bakes: pd.DataFrame,
    column: str,
    steps: list[_Step],
    fits: list[FittedModel],
) -> tuple[str, ...]:
    found, label = [], label_of(column)
    tried = {step.pit for step in steps}
    for pit in study.pits["pit"]:
        own = bakes[bakes["pit"] == pit]
        if own.empty:
            found.append(notes.SETTING_UNRECORDED.format(pit=pit, column=label))
        elif pit not in tried:
            value = own[column].iloc[0]
            text = value if isinstance(value, str) else f"{value:g}"
            found.append(notes.AS_SET_UP.format(pit=pit, column=label, value=text))
        else:
            found += _pit_caveats(own, str(pit), column)
    if len({(step.low, step.high) for step in steps}) > 1 and _several(steps):
        found.append(notes.COMMON_STEP.format(column=label))
    if len(fits) > 1 + _several(steps):
        found.append(notes.WITH_AND_WITHOUT.format(column=label))
    if fits:
        dull = ("cannot be told from", "never varied within")
        found += [c for c in fits[0].caveats if not any(words in c for words in dull)]
    return tuple(dict.fromkeys(found))


def _pit_caveats(own: pd.DataFrame, pit: str, column: str) -> list[str]:
    found, label = [], label_of(column)
    counts = own[column].value_counts()
    if _is_number(own, column) and len(counts) > 2:
        found.append(notes.SETTING_LINE.format(pit=pit, column=label))
    else:
        found += [
            notes.ONE_BAKE_A_SETTING.format(
                pit=pit,
                column=label,
                value=value if isinstance(value, str) else f"{value:g}",
            )
            for value, n in counts.sort_index().items()
            if n == 1
        ]
    days = own[own["session"].notna()]
    mixed = days.groupby("session")[column].nunique() > 1
    if len(days) == len(own) and not mixed.any():
        found.append(notes.SETTING_WITH_SESSION.format(pit=pit, column=label))
    return found
