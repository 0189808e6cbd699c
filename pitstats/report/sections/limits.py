"""What can this test not say: of the record, of the numbers, of tests of its kind."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import pandas as pd

from pitstats.analysis.rates.pairs import largest_difference
from pitstats.report.numbers import points
from pitstats.report.section import Answered, Sentences, asks
from pitstats.report.sections.rates import could_be, rate_sentence
from pitstats.report.study_results import StudyResults
from pitstats.report.words import (
    IN_BAKES,
    IN_CONDITIONS,
    farthest_ends,
    of_severity,
    one_line,
    sentence,
)

QUESTION = "What can this test not say?"
THESE_PITS = (
    "What is said holds for these pits with this wood, in this weather, with these "
    "items and these people. It is no property of a kind of pit."
)


@asks("limits", "all limits", QUESTION)
def limits(results: StudyResults) -> Answered:
    """Every limit: of the record, of the numbers, of tests of this kind."""
    yield ""
    comparison, rates = results.comparison, results.both.rates
    grave = of_severity(results.findings, "spoils", "weakens")
    said = [one_line(finding.message) for finding in grave]
    if results.early_stop is not None:
        said.append(results.early_stop.sentence)
    said += [*comparison.caveats, *rates.caveats]
    said += [rate_sentence(rates, row["pit"]) for row in _none_or_all(results)]
    if comparison.margin is None and not comparison.one_bake_each:
        said.append(
            "No margin was stated, so 'no difference larger than' is not concluded for "
            "any pair."
        )
    said.append(THESE_PITS)
    yield Sentences(list(dict.fromkeys(said)))


def in_short(results: StudyResults) -> list[str]:
    """The limits that a reader of the first page must know."""
    comparison = results.comparison
    said = []
    weakens = [
        one_line(finding.short)
        for finding in of_severity(results.findings, "weakens")
        if finding.short
    ]
    if weakens:
        said.append(sentence(f"Weakened: {'; '.join(weakens)}"))
    if results.early_stop is not None:
        said.append(results.early_stop.sentence)
    unknown = comparison.table[comparison.table["verdict"] == "cannot tell"]
    if len(unknown):
        said.append(
            "'Cannot tell' is not 'the same': differences up to "
            f"{_farthest(comparison.table, unknown)} remain possible."
        )
    for row in _none_or_all(results):
        seen = f"{'all' if row['n_burned'] else 'none'} of {row['n_items']:.0f} seen"
        said.append(
            f"{one_line(row['pit'])}: {seen}; the true share could be {could_be(row)}."
        )
    where = IN_BAKES if comparison.one_bake_each else IN_CONDITIONS
    said.append(f"What is said holds for these pits {where}, not for a kind of pit.")
    return said


def _farthest(pairs: pd.DataFrame, unknown: pd.DataFrame) -> str:
    """How far pits may differ, and which, where that is not the pair that leads."""
    ends, names = farthest_ends(unknown).to_numpy(), ["pit_a", "pit_b"]
    which = unknown[names].iloc[int(ends.argmax())]
    if list(which) == list(largest_difference(pairs)[names]):
        return points(ends.max())
    return f"{points(ends.max())} ({', '.join(map(one_line, which))})"


def _none_or_all(results: StudyResults) -> list[dict[Hashable, Any]]:
    """Rates of the pits of whose items none or all burned."""
    known = results.both.rates.table.query("n_items > 0")
    return known.query("n_burned == 0 or n_burned == n_items").to_dict("records")
