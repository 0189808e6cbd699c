"""What this design cannot separate, and which bakes would separate it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pitstats.analysis.fairness.design_audit import DesignAudit, hidden_pairs
from pitstats.analysis.fairness.extra_bakes import ExtraBakes
from pitstats.report.section import Kept, Part, Section, Sentences, Table
from pitstats.report.study_results import StudyResults
from pitstats.report.words import count, listed, one_line, plural

QUESTION = "What can this design not separate?"
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
_CAPTION = (
    "What varied from bake to bake, and how much of a difference between two pits it "
    "hides: the share of the information that is lost once the factor is allowed for"
)
_MORE_CAPTION = (
    "The fewest bakes to add, in the order of baking; settings not named in the text "
    "are each pit's usual ones"
)


def section(results: StudyResults) -> Section:
    """What went with the pits, read off the design alone, and what would mend it."""
    more = results.extra_bakes
    design = more.before
    body: list[Part] = [Sentences(design_sentences(design))]
    if len(design.contrasts):
        values = design.contrasts.drop(columns="rank_lost")
        body.append(Table("design", design_table(design), _CAPTION, values))
        body.append(Kept("design_factors", design.table))
    body.append(Sentences(extra_bakes_sentences(more)))
    if len(more.table):
        shown = extra_bakes_table(more)
        body.append(Table("extra_bakes", shown, _MORE_CAPTION, more.table))
    return Section(id="design", question=QUESTION, answer=in_short(design), body=body)


def in_short(design: DesignAudit) -> str:
    """How many factors hide a difference of pits, in one sentence."""
    hidden = _hiding(design)
    if _one_bake_each(design):
        return design_sentences(design)[0]
    if not hidden:
        return "Nothing on record went so closely with the pits that it could hide one."
    names = listed([" with ".join(_labels(design, names)) for names in hidden])
    verb = "hides" if len(hidden) == 1 else "hide"
    return f"{names[:1].upper()}{names[1:]} {verb} part or all of a difference."


def design_sentences(design: DesignAudit) -> list[str]:
    """What hides a difference of pits, what was constant, and what was not recorded."""
    sentences = [one_line(text) for text in _hiding(design).values()]
    if _one_bake_each(design):
        sentences = [
            "With one bake of each pit, whatever varied from bake to bake went with "
            "the pit and cannot be told from it."
        ]
    elif not sentences and len(design.factors.pits) > 1:
        sentences = [
            "Nothing on record went so closely with the pits that it could hide a "
            "difference."
        ]
    return [*sentences, *map(one_line, design.caveats)]


def _one_bake_each(design: DesignAudit) -> bool:
    return len(design.factors.pit) == len(design.factors.pits) > 1


def _hiding(design: DesignAudit) -> dict[str, str]:
    """Explanation of every factor that hides a difference and differed enough."""
    table = design.table
    found = table[(table["factor_a"] == "pit") & (table["verdict"] != "apart")]
    pairs = zip(found["factor_b"], found["explanation"], strict=True)
    return {str(names): str(text) for names, text in pairs if _matters(design, names)}


def _matters(design: DesignAudit, names: str) -> bool:
    """Whether a factor differed between pits by more than a degree or so."""
    factor = design.factors.find(names)
    return factor is None or len(hidden_pairs(design, factor, 0.0)) > 0


def _labels(design: DesignAudit, names: str) -> list[str]:
    labels = {factor.name: factor.label for factor in design.factors.varied}
    return [labels.get(name, name) for name in names.split(" + ")]


def design_table(design: DesignAudit) -> pd.DataFrame:
    """What each factor takes from the differences; the pair that it hides most.

    Factors that hide something and yet differed too little to matter are left out:
    what they would hide is not a difference that anybody could see.
    """
    rows = []
    for names, own in design.contrasts.groupby("factors", sort=False):
        worst = own.iloc[int(own["share"].to_numpy().argmax())]
        verdict = str(worst["verdict"])
        if verdict != "apart" and not _matters(design, str(names)):
            continue
        pair = f"{one_line(worst['pit_a'])} and {one_line(worst['pit_b'])}"
        rows.append(
            {
                "What varied": " with ".join(_labels(design, str(names))),
                "Difference most hidden": "none" if worst["share"] < 0.005 else pair,
                "Share hidden": f"{100 * worst['share']:.0f}%",
                "Interval widened": _widened(float(worst["vif"])),
                "In words": _HIDES[verdict],
            }
        )
    columns = ["What varied", "Difference most hidden", "Share hidden"]
    return pd.DataFrame(rows, columns=[*columns, "Interval widened", "In words"])


def _widened(vif: float) -> str:
    """How much wider an interval that allows for the factor would be."""
    return "without end" if np.isinf(vif) else f"{np.sqrt(vif):.1f} times"


def extra_bakes_sentences(more: ExtraBakes) -> list[str]:
    """Which bakes would separate what cannot be separated now."""
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
    separated = [one_line(goal) for goal in more.goals if goal not in more.unmet]
    done = [f"separate {'; '.join(separated)}"] if separated else []
    if more.single:
        done.append(f"give {listed(more.single)} a second bake")
    bakes = count(len(more.table), "further bake").capitalize()
    sentences = [
        f"{bakes} would {'; and '.join(done)}.",
        f"{more.n_sets} {plural(more.n_sets, 'set')} of bakes looked at: {tried}.",
    ]
    if more.unmet:
        unmet = "; ".join(map(one_line, more.unmet))
        sentences.append(f"Still not separated: {unmet}.")
    return [*sentences, *more.caveats]


def extra_bakes_table(more: ExtraBakes) -> pd.DataFrame:
    """The bakes to add: headers in words, numbers without needless digits."""
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
