"""A reporting checklist that the study fills in itself.

The items follow two guidelines, in our own words: the extension of CONSORT to trials
that randomize clusters (a bake is a cluster of items) and the SAMPL guidelines for
reporting statistics. What a study does not hold is marked as not recorded, so that a
reader sees what is missing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from pitstats.analysis.fairness import Finding
from pitstats.analysis.fairness.looks import bakes_listed, silent
from pitstats.analysis.results import BurnRates, PitComparison
from pitstats.report.numbers import level_text, points
from pitstats.report.section import Section, Table, Text
from pitstats.report.sections.fairness import burned_means
from pitstats.report.study_results import StudyResults
from pitstats.report.words import averaged_over, count, listed, one_line
from pitstats.study.study import Study

NOT_RECORDED = "not recorded"

CONSORT = "CONSORT cluster"
SAMPL = "SAMPL"

SOURCES = (
    "Items after the CONSORT extension to cluster randomised trials (Campbell, "
    "Piaggio, Elbourne and Altman 2012, BMJ 345:e5661) and the SAMPL guidelines (Lang "
    "and Altman 2015, Int J Nurs Stud 52:5), as far as they apply to bakes; in words "
    "of our own."
)


QUESTION = "Reporting checklist"


def section(results: StudyResults) -> Section:
    """The reporting checklist, filled from the study."""
    frame = reporting_checklist(
        results.study, results.comparison, results.rates, results.findings
    )
    columns = ["topic", "item", "answer", "guideline"]
    n_open = int((~frame["recorded"]).sum())
    caption = f"Reporting checklist, {len(frame)} items; {n_open} of them not recorded"
    shown = frame[columns].rename(columns=str.capitalize)
    return Section(
        id="checklist",
        question=QUESTION,
        topic="reporting checklist",
        body=[
            Table("reporting_checklist", shown, caption, frame),
            Text(SOURCES, "note"),
        ],
    )


def reporting_checklist(
    study: Study,
    comparison: PitComparison,
    rates: BurnRates,
    findings: Sequence[Finding] = (),
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
    findings : sequence of Finding, default ()
        From `audit_fairness`.

    Returns
    -------
    pandas.DataFrame
        ``topic, item, guideline, answer, recorded``: one row per item; ``answer`` is
        ``"not recorded"`` where the study does not hold it.

    References
    ----------
    .. [1] Campbell MK, Piaggio G, Elbourne DR, Altman DG (2012), Consort 2010
       statement: extension to cluster randomised trials, BMJ 345:e5661.
    .. [2] Lang TA, Altman DG (2015), Basic statistical reporting for articles published
       in biomedical journals: the "Statistical Analyses and Methods in the Published
       Literature" or the SAMPL guidelines, International Journal of Nursing Studies
       52:5-9.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("four_pits")
    >>> rates = ps.estimate_burn_rates(study)
    >>> frame = ps.reporting_checklist(study, ps.compare_pits(study), rates)
    >>> frame.set_index("topic").loc["Unit of replication", "answer"]
    'the bake: 16 kept bakes of 4 pits; items of one bake share one fire'
    """
    case = _Case(study, comparison, rates, tuple(findings))
    rows = [
        *_design_rows(case),
        *_conduct_rows(case),
        *_number_rows(case),
        *_analysis_rows(case),
    ]
    frame = pd.DataFrame(
        rows, columns=["topic", "item", "guideline", "answer"], dtype="str"
    )
    frame["answer"] = frame["answer"].where(frame["answer"] != "", NOT_RECORDED)
    return frame.assign(recorded=frame["answer"] != NOT_RECORDED)


@dataclass(frozen=True)
class _Case:
    study: Study
    comparison: PitComparison
    rates: BurnRates
    findings: tuple[Finding, ...]

    @property
    def kept(self) -> pd.DataFrame:
        bakes = self.study.bakes
        return bakes[bakes["status"] == "kept"]


Row = tuple[str, str, str, str]


def _design_rows(case: _Case) -> list[Row]:
    settings = case.study.settings
    n_pits = int((case.rates.table["n_bakes"] > 0).sum())
    margin = (
        ""
        if settings.margin is None
        else f"{points(settings.margin)}, stated before the bakes"
    )
    return [
        ("Question", "What was to be answered", CONSORT, one_line(settings.question)),
        (
            "Unit of replication",
            "What counts as one trial, and how many there were",
            CONSORT,
            f"the bake: {len(case.kept)} kept bakes of {n_pits} pits; items of one "
            "bake share one fire",
        ),
        (
            "Treatment compared",
            "What was compared, and under which rule of temperature",
            CONSORT,
            f"{listed([one_line(pit) for pit in case.study.pits['pit']])}; "
            f"{one_line(settings.temperature_rule)}",
        ),
        (
            "Outcome",
            "What was measured, on which unit",
            CONSORT,
            f"each item: {burned_means(settings)}",
        ),
        (
            "Number of bakes beforehand",
            "How many bakes were planned, and why",
            CONSORT,
            _planned(case),
        ),
        (
            "Stop rule",
            "When items came off",
            CONSORT,
            one_line(settings.stop_rule),
        ),
        (
            "Looks at the results",
            "After how many bakes anybody looked, and the rule for stopping early",
            CONSORT,
            _looks(case),
        ),
        (
            "Smallest difference of interest",
            "Margin, stated before the data",
            SAMPL,
            margin,
        ),
    ]


def _looks(case: _Case) -> str:
    look = case.comparison.look
    if look is None or silent(case.study):
        return ""
    planned = f"planned after {bakes_listed(look.planned)}; " if look.planned else ""
    level = f"; this look at {100 * (1 - look.level):.1f}%" if look.repeated else ""
    return f"{planned}taken after {bakes_listed(look.taken)} of each pit{level}"


def _planned(case: _Case) -> str:
    bakes = case.study.bakes
    waiting = int((bakes["status"] == "planned").sum())
    undone = f"; {waiting} of them not done" if waiting else ""
    if "layout_seed" in case.study.settings.extra or waiting:
        return f"{count(len(bakes), 'bake')} in the plan{undone}"
    return ""


def _randomization(study: Study) -> str:
    extra = study.settings.extra
    if "layout_seed" in extra:
        return f"order and places drawn by lot beforehand, seed {extra['layout_seed']}"
    return one_line(extra.get("randomization", ""))


def _conduct_rows(case: _Case) -> list[Row]:
    bakes = case.kept
    return [
        (
            "Allocation",
            "How bakes were given to sessions and places in the order",
            CONSORT,
            _allocation(bakes),
        ),
        (
            "Randomization",
            "Whether the order was drawn by lot, and how "
            f"({case.study.form.stated('randomization')})",
            CONSORT,
            _randomization(case.study),
        ),
        ("Blinding", "Whether graders knew the pits", CONSORT, _blinding(bakes)),
        ("Graders", "Who graded, and whether alike", SAMPL, _values(bakes, "grader")),
        ("Tenders", "Who ran the fires", CONSORT, _values(bakes, "tender")),
        (
            "Agreement of grading",
            "Whether items were graded twice",
            SAMPL,
            _regraded(case.study),
        ),
        ("Dough", "Lots of the test items", CONSORT, _values(bakes, "lot")),
    ]


def _allocation(bakes: pd.DataFrame) -> str:
    known = bakes[bakes["session"].notna()]
    if known.empty:
        return ""
    n_shared = int((known.groupby("session")["pit"].nunique() > 1).sum())
    order = (
        "order recorded"
        if known["order"].notna().all()
        else "order not recorded for every bake"
    )
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
    names = [one_line(name) for name in known.unique()]
    shown = listed(names[:6]) + (
        f" and {len(names) - 6} more" if len(names) > 6 else ""
    )
    unknown = len(bakes) - len(known)
    return shown + (f"; not recorded for {count(unknown, 'bake')}" if unknown else "")


def _regraded(study: Study) -> str:
    faces = ["grade_top", "grade_bottom", "grade_side"]
    n_graded = int(study.regrades[faces].notna().any(axis=1).sum())
    return f"{count(n_graded, 'second grading')} on record" if n_graded else ""


def _number_rows(case: _Case) -> list[Row]:
    table = case.rates.table
    counts = [
        f"{one_line(row['pit'])} {row['n_burned']}/{row['n_items']} in "
        f"{count(int(row['n_bakes']), 'bake')}"
        for row in table.to_dict("records")
    ]
    return [
        (
            "Numerators and denominators",
            "Items burned and graded, pit by pit",
            SAMPL,
            listed(counts),
        ),
        ("Excluded bakes", "How many, and why", CONSORT, _excluded(case.study)),
        ("Missing items", "How many, and how they were treated", SAMPL, _missing(case)),
    ]


def _excluded(study: Study) -> str:
    out = study.bakes[study.bakes["status"] == "excluded"]
    if out.empty:
        return "none on record"
    named = [
        f"{one_line(row['bake'])} ({one_line(row['reason'])})"
        for row in out.to_dict("records")
    ]
    return f"{len(out)} of {len(study.bakes)}: {listed(named)}"


def _missing(case: _Case) -> str:
    n_missing = int(case.rates.table["n_missing"].sum())
    if (case.rates.bakes["source"] == "counts").all():
        return ""
    if not n_missing:
        return "none among the items on record"
    return (
        f"{count(n_missing, 'item')} without a grade, left out; the report shows the "
        "rates if none or all of them had burned"
    )


def _analysis_rows(case: _Case) -> list[Row]:
    comparison, rates = case.comparison, case.rates
    level = level_text(comparison.conf_level)
    n_pairs = len(comparison.table)
    return [
        (
            "Estimate",
            "What the difference is averaged over",
            CONSORT,
            f"difference of long-run burn rates, {averaged_over(comparison)}",
        ),
        (
            "Clustering",
            "How the analysis allows for shared fires",
            CONSORT,
            "a random effect of the bake; intervals have the bake as the unit",
        ),
        ("Intraclass correlation", "ICC with interval", CONSORT, icc_text(rates)),
        (
            "Model and priors",
            "Method of analysis, with its prior distributions",
            SAMPL,
            comparison.method,
        ),
        (
            "Interval method",
            "Kind and level of the intervals",
            SAMPL,
            f"equal-tailed {level} posterior intervals",
        ),
        (
            "Multiplicity",
            "How several comparisons are allowed for",
            SAMPL,
            "one pair of pits, none needed"
            if n_pairs == 1
            else "simultaneous intervals and adjusted p-values for all "
            f"{n_pairs} pairs",
        ),
        (
            "Sensitivity",
            "Whether the answer hangs on choices made in counting",
            SAMPL,
            _sensitivity(case),
        ),
        ("Fairness", "Rival explanations found", CONSORT, _fairness(case.findings)),
        ("Software", "What computed this, with its version", SAMPL, _software()),
        (
            "Protocol",
            "Whether the plan was laid down beforehand "
            f"({case.study.form.stated('protocol')})",
            CONSORT,
            _protocol(case.study),
        ),
        (
            "Interests",
            f"Who lent or paid for the pits ({case.study.form.stated('interests')})",
            CONSORT,
            one_line(case.study.settings.extra.get("interests", "")),
        ),
    ]


def _sensitivity(case: _Case) -> str:
    """Say what the study's own record allows to be tried."""
    items = case.study.items
    tried = ["by other methods"]
    if items["column"].notna().any():
        tried.append("as baked and, where the pits share places, on a common layout")
    if items[["grade_top", "grade_bottom", "grade_side"]].notna().any(axis=None):
        tried.append("for every cut of 'burned'")
    return f"in this report: {listed(tried)}"


def _fairness(findings: Sequence[Finding]) -> str:
    asked = [f for f in findings if not f.is_question]
    n = {s: sum(f.severity == s for f in asked) for s in ("spoils", "weakens", "note")}
    return (
        f"audited from the record: {n['spoils']} may spoil the comparison, "
        f"{n['weakens']} weaken it, {n['note']} to note"
    )


def _software() -> str:
    from pitstats import __version__

    return f"pitstats {__version__}"


def latent_icc(sd: float) -> float:
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
    parts = [
        f"{one_line(row['pit'])} unknown"
        if math.isnan(row["estimate"])
        else f"{one_line(row['pit'])} {latent_icc(row['estimate']):.2f} "
        f"({latent_icc(row['conf_low']):.2f} to {latent_icc(row['conf_high']):.2f})"
        for row in rates.bake_sd.to_dict("records")
        if row["n_bakes"] > 0
    ]
    return (
        f"{'; '.join(parts)} on the latent logistic scale, from the SD between bakes "
        f"of each pit ({level_text(rates.conf_level)} intervals)"
    )
