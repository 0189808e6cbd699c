"""What can this test not say: of the record, of the numbers, of tests of its kind."""

from __future__ import annotations

from pitstats.report.numbers import percent, points
from pitstats.report.section import Section, Sentences
from pitstats.report.sections.rates import rate_sentence
from pitstats.report.study_results import StudyResults
from pitstats.report.words import IN_BAKES, IN_CONDITIONS, one_line, sentence

QUESTION = "What can this test not say?"
THESE_PITS = (
    "What is said holds for these pits with this wood, in this weather, with these "
    "items and these people. It is no property of a kind of pit."
)


def limits(results: StudyResults) -> Section:
    """Every limit: of the record, of the numbers, of tests of this kind."""
    comparison, rates = results.comparison, results.both.rates
    weak = ("spoils", "weakens")
    audit = [f for f in results.findings if f.severity in weak and not f.is_question]
    found = [one_line(finding.message) for finding in audit]
    if results.early_stop is not None:
        found.append(results.early_stop.sentence)
    found += [*comparison.caveats, *rates.caveats]
    found += [rate_sentence(rates, pit) for pit in _none_or_all(results)]
    if comparison.margin is None and not comparison.one_bake_each:
        found.append(
            "No margin was stated before the bakes, so 'no difference larger than' is "
            "not concluded for any pair."
        )
    found.append(THESE_PITS)
    return Section(
        id="limits",
        question=QUESTION,
        body=[Sentences(list(dict.fromkeys(found)))],
        topic="all limits",
    )


def in_short(results: StudyResults) -> list[str]:
    """The limits that a reader of the first page must know."""
    comparison = results.comparison
    said = []
    weakens = [
        one_line(finding.short)
        for finding in results.findings
        if finding.severity == "weakens" and finding.short and not finding.is_question
    ]
    if weakens:
        said.append(sentence(f"Weakened: {'; '.join(weakens)}"))
    if results.early_stop is not None:
        said.append(results.early_stop.sentence)
    unknown = comparison.table[comparison.table["verdict"] == "cannot tell"]
    if len(unknown):
        ends = unknown[["simultaneous_low", "simultaneous_high"]].abs()
        said.append(
            "'Cannot tell' is not 'the same': differences up to "
            f"{points(float(ends.to_numpy().max()))} remain possible."
        )
    table = results.both.rates.table.set_index("pit").to_dict("index")
    for pit in _none_or_all(results):
        row = table[pit]
        none = row["n_burned"] == 0
        end = percent(row["conf_high" if none else "conf_low"])
        seen = f"{'none' if none else 'all'} of {row['n_items']:.0f} seen"
        said.append(
            f"{one_line(pit)}: {seen}; the true share could be "
            f"{'up to' if none else 'as low as'} {end}."
        )
    where = IN_BAKES if comparison.one_bake_each else IN_CONDITIONS
    said.append(f"What is said holds for these pits {where}, not for a kind of pit.")
    return said


def _none_or_all(results: StudyResults) -> list[str]:
    """Pits of whose items none or all burned."""
    table = results.both.rates.table
    extreme = (table["n_burned"] == 0) | (table["n_burned"] == table["n_items"])
    return [str(pit) for pit in table["pit"][extreme & (table["n_items"] > 0)]]
