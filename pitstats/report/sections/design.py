"""What this design cannot separate, and which bakes would separate it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pitstats.analysis.fairness.design_audit import DesignAudit, hidden_pairs
from pitstats.analysis.fairness.extra_bakes import ExtraBakes
from pitstats.report.section import Answered, Kept, Sentences, Table, asks
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import Columns, Row, table_of, written
from pitstats.report.words import as_typed, count, listed, one_line, plural

_HIDES = {
    "fully": "hides it fully",
    "nearly": "hides nearly all of it",
    "partly": "hides half of it or more",
    "apart": "hides less than half of it",
}
# A share of the information whose loss widens an interval by a twentieth at most.
_LITTLE = 0.1
_CAPTION = (
    "What varied from bake to bake, and how much of a difference between two pits it "
    "hides: the share of the information that is lost once the factor is allowed for"
)
_MORE_CAPTION = (
    "The fewest bakes to add, in the order of baking; settings not named in the text "
    "are each pit's usual ones"
)


@asks("design", "the design", "What can this design not separate?")
def design(results: StudyResults) -> Answered:
    """What went with the pits, read off the design alone, and what would mend it."""
    more = results.extra_bakes
    design = more.before
    table = design.table if len(design.contrasts) else design.contrasts
    yield in_short(design)
    yield Sentences(design_sentences(design))
    yield design_table(design)
    yield Kept("design_factors", table)
    yield Sentences(extra_bakes_sentences(more))
    yield Table("extra_bakes", extra_bakes_table(more), _MORE_CAPTION, more.table)


def in_short(design: DesignAudit) -> str:
    """How many factors hide a difference of pits, in one sentence."""
    hidden = _hiding(design)
    if _one_bake_each(design):
        return (
            "With one bake of each pit, whatever varied from bake to bake went with "
            "the pit and cannot be told from it."
        )
    if not hidden:
        return (
            "Nothing on record went with the pits so closely as to hide half of a "
            "difference."
        )
    names = listed([" with ".join(_labels(design, names)) for names in hidden])
    verb = "hides" if len(hidden) == 1 else "hide"
    return f"{names[:1].upper()}{names[1:]} {verb} part or all of a difference."


def design_sentences(design: DesignAudit) -> list[str]:
    """What hides a difference of pits, what was constant, and what was not recorded."""
    hiding = [] if _one_bake_each(design) else _hiding(design).values()
    return [one_line(text) for text in (*hiding, *design.caveats)]


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


def design_table(design: DesignAudit) -> Table:
    """What each factor takes from the differences; the pair that it hides most.

    Factors that hide something and yet differed too little to matter are left out:
    what they would hide is not a difference that anybody could see.
    """
    contrasts = design.contrasts.drop(columns="rank_lost", errors="ignore")
    worst = contrasts.sort_values("share", ascending=False, kind="stable")
    worst = worst.drop_duplicates("factors").sort_index()
    matter = [
        row["verdict"] == "apart" or _matters(design, row["factors"])
        for row in worst.to_dict("records")
    ]
    columns: Columns = {
        "What varied": lambda row: " with ".join(_labels(design, row["factors"])),
        "Difference most hidden": lambda row: (
            "none" if row["share"] < 0.005 else listed([row["pit_a"], row["pit_b"]])
        ),
        "Share hidden": written("{:.0%}".format, "share"),
        "Interval widened": written(_widened, "vif"),
        "In words": _hides,
    }
    return table_of("design", worst[matter], _CAPTION, columns, kept=contrasts)


def _hides(row: Row) -> str:
    if row["share"] < _LITTLE:
        return "hides little or nothing"
    return _HIDES[row["verdict"]]


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
    cells = more.table.map(lambda cell: "" if pd.isna(cell) else as_typed(cell))
    return cells.rename(columns=lambda name: str(name).replace("_", " ").capitalize())
