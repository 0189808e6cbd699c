"""What a design can never separate, and which bakes would, in words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pitstats.analysis.fairness.design_audit import DesignAudit, hidden_pairs
from pitstats.analysis.fairness.extra_bakes import ExtraBakes
from pitstats.report.wording.guard import passes
from pitstats.report.wording.numbers import count, listed, one_line

_HIDES = {
    "fully": "hides it fully",
    "nearly": "hides nearly all of it",
    "partly": "hides part of it",
    "apart": "hides little or nothing",
}
_HEADERS = {
    "session": "Session",
    "order": "Order",
    "pit": "Pit",
    "lot": "Lot",
    "tender": "Tender",
    "grader": "Grader",
    "damper_open": "Damper open",
    "intake_open": "Intake open",
    "plate": "Plate",
    "wood": "Wood",
    "minutes": "Minutes",
    "target_temp": "Target temperature",
}


@passes
def design_sentences(design: DesignAudit) -> list[str]:
    """Say what hides a difference of pits, and what was not looked at.

    Parameters
    ----------
    design : DesignAudit
        From `audit_design`.

    Returns
    -------
    list of str
        One sentence per factor that hides a difference, or one that none does; then
        what was constant and what was not recorded.

    Examples
    --------
    >>> import pitstats as ps
    >>> design_sentences(ps.audit_design(ps.demo_study("four_pits")))[0]
    'Nothing on record went so closely with the pits that it could hide a difference.'
    """
    table = design.table
    found = table[(table["factor_a"] == "pit") & (table["verdict"] != "apart")]
    sentences = [
        one_line(text)
        for names, text in zip(found["factor_b"], found["explanation"], strict=True)
        if _matters(design, str(names))
    ]
    pits = design.factors.pits
    if len(design.factors.pit) == len(pits) > 1:
        sentences = [
            "With one bake of each pit, whatever varied from bake to bake went with "
            "the pit and cannot be told from it."
        ]
    elif not sentences and len(pits) > 1:
        sentences = [
            "Nothing on record went so closely with the pits that it could hide a "
            "difference."
        ]
    return [*sentences, *map(one_line, design.caveats)]


def _matters(design: DesignAudit, names: str) -> bool:
    """Whether a factor differed between pits by more than a degree or so."""
    factor = design.factors.find(names)
    return factor is None or len(hidden_pairs(design, factor, 0.0)) > 0


def design_table(design: DesignAudit) -> pd.DataFrame:
    """Make a table of what each factor takes from the differences between pits.

    Parameters
    ----------
    design : DesignAudit
        From `audit_design`.

    Returns
    -------
    pandas.DataFrame
        One row per factor that varied; the pair of pits that it hides most.

    Examples
    --------
    >>> import pitstats as ps
    >>> shown = design_table(ps.audit_design(ps.demo_study("unfair_order")))
    >>> shown["Share hidden"].tolist()[:2]
    ['0%', '100%']
    """
    labels = {factor.name: factor.label for factor in design.factors.varied}
    rows = []
    for names, own in design.contrasts.groupby("factors", sort=False):
        worst = own.iloc[int(own["share"].to_numpy().argmax())]
        clear = worst["share"] < 0.005
        pair = f"{one_line(worst['pit_a'])} and {one_line(worst['pit_b'])}"
        rows.append(
            {
                "What varied": " with ".join(
                    labels[name] for name in str(names).split(" + ")
                ),
                "Difference most hidden": "none" if clear else pair,
                "Share hidden": f"{100 * worst['share']:.0f}%",
                "Interval widened": _widened(float(worst["vif"])),
                "In words": _in_words(design, str(names), str(worst["verdict"])),
            }
        )
    return pd.DataFrame(
        rows,
        columns=[
            "What varied",
            "Difference most hidden",
            "Share hidden",
            "Interval widened",
            "In words",
        ],
    )


def _in_words(design: DesignAudit, names: str, verdict: str) -> str:
    if verdict != "apart" and not _matters(design, names):
        return "differed too little to matter"
    return _HIDES[verdict]


def _widened(vif: float) -> str:
    """How much wider an interval that allows for the factor would be."""
    return "without end" if np.isinf(vif) else f"{np.sqrt(vif):.1f} times"


DESIGN_CAPTION = (
    "What varied from bake to bake, and how much of a difference between two pits it "
    "hides: the share of the information that is lost once the factor is allowed for"
)


@passes
def extra_bakes_sentences(more: ExtraBakes) -> list[str]:
    """Say which bakes would separate what cannot be separated now.

    Parameters
    ----------
    more : ExtraBakes
        From `suggest_bakes`.

    Returns
    -------
    list of str
        One sentence that nothing need be added, or what the bakes achieve, how they
        were found, and what they do not do.

    Examples
    --------
    >>> import pitstats as ps
    >>> extra_bakes_sentences(ps.suggest_bakes(ps.demo_study("four_pits")))[0][:29]
    'No further bake is needed to '
    """
    if not more.goals and not more.single:
        return [
            "No further bake is needed to separate the pits from sessions, order, "
            "lots, people or settings."
        ]
    if more.table.empty:
        return ["No bakes were found that would separate the pits from what is above."]
    tried = (
        "no smaller set does"
        if more.exhaustive
        else "found step by step, so a smaller set may exist"
    )
    bakes = count(len(more.table), "further bake")
    separated = [one_line(goal) for goal in more.goals if goal not in more.unmet]
    done = [f"separate {'; '.join(separated)}"] if separated else []
    if more.single:
        done.append(f"give {listed(more.single)} a second bake")
    sentences = [
        f"{bakes.capitalize()} would {'; and '.join(done)} ({tried}; "
        f"{more.n_sets} sets of bakes looked at)."
    ]
    if more.unmet:
        sentences.append(
            f"Still not separated: {'; '.join(map(one_line, more.unmet))}."
        )
    return [*sentences, *more.caveats]


EXTRA_BAKES_CAPTION = (
    "The fewest bakes to add, in the order of baking; settings not named in the text "
    "are each pit's usual ones"
)


def extra_bakes_table(more: ExtraBakes) -> pd.DataFrame:
    """Make a table of the bakes to add.

    Parameters
    ----------
    more : ExtraBakes
        From `suggest_bakes`.

    Returns
    -------
    pandas.DataFrame
        Headers in words; numbers without needless digits.

    Examples
    --------
    >>> import pitstats as ps
    >>> shown = extra_bakes_table(ps.suggest_bakes(ps.demo_study("one_bake_each")))
    >>> shown[["Order", "Pit", "Damper open"]].to_numpy().tolist()
    [['1', 'Ferry', '1'], ['2', 'Quarry', '1']]
    """
    shown = more.table.map(_cell)
    return shown.rename(
        columns={name: _HEADERS.get(name, name) for name in shown.columns}
    )


def _cell(value: object) -> str:
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, int | float | np.integer | np.floating):
        return f"{float(value):g}"
    return one_line(value)
