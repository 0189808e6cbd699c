"""What a model says, in words: curves along the grate and effects of settings."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Any

import pandas as pd

from pitstats.analysis.results import SettingEffect
from pitstats.report.tables import signed_points, span_points
from pitstats.report.wording.guard import sentence
from pitstats.report.wording.numbers import level_text, one_line, percent, points

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


def setting_sentences(effect: SettingEffect) -> list[str]:
    """Say what a setting did within the pits in which it was varied.

    Parameters
    ----------
    effect : SettingEffect
        As returned by `estimate_setting_effect`.

    Returns
    -------
    list of str
        One sentence per step; empty where nothing was varied.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("unfair_order")
    >>> setting_sentences(ps.estimate_setting_effect(study, "damper_open"))
    []
    """
    return [
        _step_sentence(row, effect)
        for row in effect.table.to_dict("records")
        if not math.isnan(row["estimate"])
    ]


def never_varied(column: str, value: object) -> str:
    """Say that a setting was the same throughout.

    Examples
    --------
    >>> never_varied("damper_open", 1.0)
    'damper_open was 1 in every bake of every pit, so its effect is unknown.'
    """
    return (
        f"{column} was {_shown(value)} in every bake of every pit, so its effect is "
        "unknown."
    )


def _step_sentence(row: dict[Hashable, Any], effect: SettingEffect) -> str:
    where = "all pits that varied it" if row["pit"] == "all" else one_line(row["pit"])
    step = f"{_shown(row['from_value'])} to {_shown(row['to_value'])}"
    adjusted = " with grate temperature allowed for" if row["adjusted_for"] else ""
    ends = span_points(row["conf_low"], row["conf_high"])
    change = (
        f"{signed_points(row['estimate'])} points ({level_text(effect.conf_level)} "
        f"interval {ends}; averaged over bakes and the pit's own places; "
        f"{row['n_bakes_from']} against {row['n_bakes_to']} bakes)"
    )
    name = one_line(effect.column)
    verdict = str(row["verdict"])
    if verdict.startswith("differs"):
        looks = int(effect.table["estimate"].notna().sum())
        several = (
            f" This is one of {looks} looks at {name}, not allowed for."
            if looks > 1
            else ""
        )
        small = ", inside the margin stated before the bakes" * (verdict != "differs")
        return sentence(
            f"In {where}, bakes with {name} at {_shown(row['to_value'])} burned "
            f"{'more' if row['estimate'] > 0 else 'less'} than bakes at "
            f"{_shown(row['from_value'])} in these conditions{adjusted}{small}: "
            f"{change}.{several}"
        )
    if verdict == "no difference beyond the margin":
        return sentence(
            f"In {where}, {name} from {step}{adjusted} made no difference larger than "
            f"the margin stated before the bakes, in these conditions: {change}."
        )
    if verdict == "cannot tell":
        largest = points(max(abs(row["conf_low"]), abs(row["conf_high"])))
        return sentence(
            f"In {where}, this test cannot tell what {name} from {step} does to the "
            f"burn rate in these conditions{adjusted}: {change}. A change larger than "
            f"{largest} is excluded."
        )
    return sentence(f"In {where}, {name} from {step}{adjusted}: {change}; {verdict}.")


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, int | float) else one_line(value)
