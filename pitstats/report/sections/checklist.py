"""A reporting checklist that the study fills in itself.

The items follow two guidelines, in our own words: the extension of CONSORT to trials
that randomize clusters (a bake is a cluster of items) and the SAMPL guidelines for
reporting statistics. What a study does not hold is marked as not recorded, so that a
reader sees what is missing.
"""

from __future__ import annotations

import math
from typing import TypeVar

import pandas as pd

from pitstats.analysis.fairness.looks import bakes_listed, silent
from pitstats.analysis.results import BurnRates, PitComparison
from pitstats.report.numbers import level_text, points
from pitstats.report.section import Answered, Table, Text, asks
from pitstats.report.sections.fairness import burned_means
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import Row, by_pit, estimate
from pitstats.report.words import averaged_over, count, listed, one_line
from pitstats.study.frozen_plan import changed_settings
from pitstats.study.outcomes import regrades_undone
from pitstats.study.schema import GRADE_COLUMNS
from pitstats.study.study import Study
from pitstats.study.versions import versions

Spread = TypeVar("Spread", float, pd.DataFrame)
NOT_RECORDED = "not recorded"
CONSORT = "CONSORT cluster"
SAMPL = "SAMPL"
SOURCES = (
    "Items after the CONSORT extension to cluster randomised trials (Campbell, "
    "Piaggio, Elbourne and Altman 2012, BMJ 345:e5661) and the SAMPL guidelines (Lang "
    "and Altman 2015, Int J Nurs Stud 52:5), as far as they apply to bakes; in words "
    "of our own."
)
#: What each item asks for, and whose it is; `STATED` ones are stated in the study.
ITEMS = {
    "Question": ("What was to be answered", CONSORT),
    "Unit of replication": ("What counts as one trial, and how many", CONSORT),
    "Treatment compared": ("What was compared, by which rule of temperature", CONSORT),
    "Outcome": ("What was measured, on which unit", CONSORT),
    "Number of bakes beforehand": ("How many bakes were planned, and why", CONSORT),
    "Stop rule": ("When items came off", CONSORT),
    "Looks at the results": ("After how many bakes anybody looked", CONSORT),
    "Smallest difference of interest": ("Margin, stated before the data", SAMPL),
    "Allocation": ("How bakes were given to sessions and places in order", CONSORT),
    "Randomization": ("How the order was drawn by lot", CONSORT),
    "Blinding": ("Whether graders knew the pits", CONSORT),
    "Graders": ("Who graded, and whether alike", SAMPL),
    "Tenders": ("Who ran the fires", CONSORT),
    "Agreement of grading": ("Whether items were graded twice", SAMPL),
    "Dough": ("Lots of the test items", CONSORT),
    "Numerators and denominators": ("Items burned and graded, pit by pit", SAMPL),
    "Excluded bakes": ("How many, and why", CONSORT),
    "Missing items": ("How many, and how they were treated", SAMPL),
    "Estimate": ("What was estimated, and how", SAMPL),
    "Intraclass correlation": ("ICC with interval", CONSORT),
    "Multiplicity": ("How several comparisons are allowed for", SAMPL),
    "Software": ("What computed this, with its version", SAMPL),
    "Protocol": ("What was laid down beforehand", CONSORT),
    "Interests": ("Who lent or paid for the pits", CONSORT),
}
STATED = {
    "Randomization": "randomization",
    "Protocol": "protocol",
    "Interests": "interests",
}


@asks("checklist", "reporting checklist", "Reporting checklist")
def checklist(results: StudyResults) -> Answered:
    """The reporting checklist, filled from the study."""
    yield ""
    frame = reporting_checklist(results.study, results.comparison, results.rates)
    n_open = int((~frame["recorded"]).sum())
    caption = f"Reporting checklist, {len(frame)} items; {n_open} of them not recorded"
    shown = frame[["topic", "item", "answer", "guideline"]]
    shown = shown.rename(columns=str.capitalize)
    yield Table("reporting_checklist", shown, caption, frame)
    yield Text(SOURCES, "note")


def reporting_checklist(
    study: Study, comparison: PitComparison, rates: BurnRates
) -> pd.DataFrame:
    """Fill in a reporting checklist from a study and its results.

    Parameters
    ----------
    study : Study
        A valid study.
    comparison : PitComparison
        As returned by `compare_pits`.
    rates : BurnRates
        As returned by `estimate_burn_rates`.

    Returns
    -------
    pandas.DataFrame
        ``topic, item, guideline, answer, recorded``: one row per item; ``answer`` is
        ``"not recorded"`` where the study does not hold it.

    Notes
    -----
    The guidelines are cited in ``SOURCES``, which stands below the table.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("four_pits")
    >>> rates = ps.estimate_burn_rates(study)
    >>> frame = ps.reporting_checklist(study, ps.compare_pits(study), rates)
    >>> frame.set_index("topic").loc["Unit of replication", "answer"]
    'the bake: 16 kept bakes of 4 pits; items of one bake share one fire'
    """
    answers = _answers(study, comparison, rates)
    where = {topic: f" ({study.form.stated(own)})" for topic, own in STATED.items()}
    rows = [
        (topic, asked + where.get(topic, ""), source, answers[topic] or NOT_RECORDED)
        for topic, (asked, source) in ITEMS.items()
    ]
    names = ["topic", "item", "guideline", "answer"]
    frame = pd.DataFrame(rows, columns=names, dtype="str")
    return frame.assign(recorded=frame["answer"] != NOT_RECORDED)


def _answers(
    study: Study, comparison: PitComparison, rates: BurnRates
) -> dict[str, str]:
    """Answer to every item; empty where the study does not hold it."""
    settings, extra = study.settings, study.settings.extra
    kept = study.kept
    n_pits, n_pairs = int((rates.table["n_bakes"] > 0).sum()), len(comparison.table)
    level = level_text(comparison.conf_level)
    return {
        "Question": one_line(settings.question),
        "Unit of replication": f"the bake: {len(kept)} kept bakes of {n_pits} pits; "
        "items of one bake share one fire",
        "Treatment compared": f"{listed(study.pits['pit'].tolist())}; "
        f"{one_line(settings.temperature_rule)}",
        "Outcome": f"each item: {burned_means(settings)}",
        "Number of bakes beforehand": _planned(study),
        "Stop rule": one_line(settings.stop_rule),
        "Looks at the results": _looks(study, comparison),
        "Smallest difference of interest": _margin(study),
        "Allocation": _allocation(kept),
        "Randomization": _randomization(study),
        "Blinding": _blinding(kept),
        "Graders": _values(kept, "grader"),
        "Tenders": _values(kept, "tender"),
        "Agreement of grading": _twice(study),
        "Dough": _values(kept, "lot"),
        "Numerators and denominators": listed(by_pit(rates.table, _counts)),
        "Excluded bakes": _excluded(study),
        "Missing items": _missing(rates),
        "Estimate": "difference of long-run burn rates, "
        f"{averaged_over(comparison.layout)}; {comparison.method}; equal-tailed "
        f"{level} posterior intervals, the bake as the unit",
        "Intraclass correlation": icc_text(rates),
        "Multiplicity": "one pair of pits, none needed"
        if n_pairs == 1
        else f"simultaneous intervals and adjusted p-values for all {n_pairs} pairs",
        "Software": f"pitstats {versions(['pitstats'])['pitstats']}",
        "Protocol": _protocol(study),
        "Interests": one_line(extra.get("interests", "")),
    }


def _twice(study: Study) -> str:
    n_twice = int(study.regrades[[*GRADE_COLUMNS]].notna().any(axis=1).sum())
    n_undone, n_due = regrades_undone(study)
    undone = f"; {n_undone} of {n_due} planned ones not done" * bool(n_undone)
    return f"{count(n_twice, 'second grading')} on record{undone}" * bool(
        n_twice or n_undone
    )


def _margin(study: Study) -> str:
    margin = study.settings.margin
    planned = (changed_settings(study) or {}).get("margin")
    told = "not stated" if margin is None else points(margin)
    if planned:
        return f"{told}; margin = {planned[0]} in the frozen plan"
    return "" if margin is None else told


def _planned(study: Study) -> str:
    bakes = study.bakes
    waiting = int((bakes["status"] == "planned").sum())
    undone = f"; {waiting} of them not done" if waiting else ""
    if "layout_seed" in study.settings.extra or waiting:
        return f"{count(len(bakes), 'bake')} in the plan{undone}"
    return ""


def _looks(study: Study, comparison: PitComparison) -> str:
    look = comparison.look
    if look is None or silent(study):
        return ""
    planned = f"planned after {bakes_listed(look.planned)}; " if look.planned else ""
    level = f"; this look at {level_text(1 - look.level)}" if look.repeated else ""
    return f"{planned}taken after {bakes_listed(look.taken)} of each pit{level}"


def _randomization(study: Study) -> str:
    extra = study.settings.extra
    if "layout_seed" in extra:
        return f"order and places drawn by lot beforehand, seed {extra['layout_seed']}"
    return one_line(extra.get("randomization", ""))


def _allocation(bakes: pd.DataFrame) -> str:
    known = bakes[bakes["session"].notna()]
    if known.empty:
        return ""
    n_shared = int((known.groupby("session")["pit"].nunique() > 1).sum())
    every = known["order"].notna().all()
    order = "order recorded" if every else "order not recorded for every bake"
    return (
        f"{count(int(known['session'].nunique()), 'session')}; with bakes of two pits "
        f"or more: {n_shared}; {order}"
    )


def _protocol(study: Study) -> str:
    extra = study.settings.extra
    rules = extra.get("layout_rules")
    if "protocol" not in extra and isinstance(rules, list) and rules:
        return f"{count(len(rules), 'rule')} written down with the layout"
    return one_line(extra.get("protocol", ""))


def _blinding(bakes: pd.DataFrame) -> str:
    known = bakes["blind"].dropna().astype(bool)
    if known.empty:
        return ""
    text = f"graded blind in {int(known.sum())} of {len(bakes)} bakes"
    unknown = len(bakes) - len(known)
    return text + (f"; not recorded for {unknown}" if unknown else "")


def _values(bakes: pd.DataFrame, column: str) -> str:
    known = bakes[column].dropna()
    if known.empty:
        return ""
    names, unknown = known.unique(), len(bakes) - len(known)
    more = f" and {len(names) - 6} more" if len(names) > 6 else ""
    without = f"; not recorded for {count(unknown, 'bake')}" if unknown else ""
    return f"{listed(names[:6])}{more}{without}"


def _counts(row: Row) -> str:
    return f"{row['n_burned']}/{row['n_items']} in {count(row['n_bakes'], 'bake')}"


def _excluded(study: Study) -> str:
    out = study.bakes[study.bakes["status"] == "excluded"]
    if out.empty:
        return "none on record"
    named = [
        f"{one_line(row['bake'])} ({one_line(row['reason'])})"
        for row in out.to_dict("records")
    ]
    return f"{len(out)} of {len(study.bakes)}: {listed(named)}"


def _missing(rates: BurnRates) -> str:
    n_missing = int(rates.table["n_missing"].sum())
    if (rates.bakes["source"] == "counts").all():
        return ""
    if not n_missing:
        return "none among the items on record"
    return (
        f"{count(n_missing, 'item')} without a grade, left out; the report shows the "
        "rates if none or all of them had burned"
    )


def latent_icc(sd: Spread) -> Spread:
    """Intraclass correlation of items of one bake on the latent logistic scale.

    References
    ----------
    .. [1] Goldstein H, Browne W, Rasbash J (2002), Partitioning variation in multilevel
       models, Understanding Statistics 1:223-231.
    """
    return sd**2 / (sd**2 + math.pi**2 / 3)


def icc_text(rates: BurnRates) -> str:
    """Write the ICC with its interval, and say which definition it is."""
    if int(rates.table["n_bakes"].max()) <= 1:
        return "unknown: with one bake of each pit these data do not show it"
    sd = rates.bake_sd[rates.bake_sd["n_bakes"] > 0]
    ends = ["estimate", "conf_low", "conf_high"]
    icc = estimate("{:.2f}".format, unknown="unknown")
    parts = by_pit(sd.assign(**latent_icc(sd[ends])), icc)
    return (
        f"{'; '.join(parts)} on the latent logistic scale, from the SD between bakes "
        f"of each pit ({level_text(rates.conf_level)} intervals)"
    )
