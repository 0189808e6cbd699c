"""How fair was the test? The rules, and every finding with its remedy."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from pitstats.analysis.fairness import Finding
from pitstats.report.numbers import points
from pitstats.report.section import Answered, Callout, Sentences, Text, asks
from pitstats.report.study_results import StudyResults
from pitstats.report.words import count, of_severity, one_line
from pitstats.study.settings import Settings

HEADINGS = {
    "spoils": "May spoil the comparison",
    "weakens": "Weakens the comparison",
    "note": "Good to know",
    "ask": "Only you can answer",
}
_RULES = {
    "same indicated": "same indicated (pits and their gauges are compared)",
    "same grate": "same grate (the pits are compared, their gauges are not)",
    "maker's setting": "maker's setting (each pit as its maker advises)",
    "tuned": "tuned (each pit set up beforehand)",
}
_GRAVE = ("spoils", "weakens")
_WIDTH = 88


@asks("fairness", "fairness", "How fair was the test?")
def fairness(results: StudyResults) -> Answered:
    """The rules of the test, what was found, and what reading the files assumed."""
    assumed = results.study.assumptions
    yield in_short(results.findings)
    yield Text(rules_sentence(results.study.settings))
    yield from finding_callouts(results.findings)
    yield Text("In reading the files this was assumed:" * bool(assumed), "note")
    yield Sentences(assumed)


def in_short(findings: Sequence[Finding]) -> str:
    """Sum up how fair the test was."""
    spoils, weakens, notes = (
        len(of_severity(findings, own)) for own in ("spoils", "weakens", "note")
    )
    if spoils:
        return (
            f"{count(spoils, 'finding').capitalize()} may spoil the comparison; read "
            f"{'it' if spoils == 1 else 'them'} before quoting any number."
        )
    if weakens:
        return (
            f"Nothing in the record spoils the comparison; {count(weakens, 'finding')} "
            f"{'weakens' if weakens == 1 else 'weaken'} it."
        )
    more = f"; {count(notes, 'note')} for the reader" if notes else ""
    return f"No unfairness was found in the record{more}."


def rules_sentence(settings: Settings) -> str:
    """The rules, the one of temperature first: it says what was compared."""
    rule = _RULES.get(settings.temperature_rule, one_line(settings.temperature_rule))
    stop = one_line(settings.stop_rule) or "not stated"
    margin = "not stated" if settings.margin is None else points(settings.margin)
    return (
        f"Temperature rule: {rule}. Stop rule: {stop}. {burned_means(settings)}. "
        f"Smallest difference that would change advice: {margin}."
    )


def burned_means(settings: Settings) -> str:
    """Say what counts as burned.

    Examples
    --------
    >>> import pitstats as ps
    >>> burned_means(ps.demo_study("four_pits").settings)
    "Burned means 'burned' on the darkest face"
    """
    face = "the darkest face" if settings.face == "worst" else f"the {settings.face}"
    darker = "" if settings.burned_from == settings.grades[-1] else " or darker"
    return f"Burned means '{one_line(settings.burned_from)}'{darker} on {face}"


def findings_by_weight(findings: Sequence[Finding]) -> dict[str, list[Finding]]:
    """Findings under the headings that readers see, gravest first."""
    groups: dict[str, list[Finding]] = {name: [] for name in HEADINGS}
    for finding in findings:
        groups["ask" if finding.is_question else finding.severity].append(finding)
    return {name: own for name, own in groups.items() if own}


def finding_callouts(findings: Sequence[Finding]) -> Iterator[Callout]:
    """Graver findings each set apart by itself; notes and questions together."""
    for name, own in findings_by_weight(findings).items():
        told = [_labeled(name, each, "What to do") for each in own]
        if name in _GRAVE:
            for each, lines in zip(own, told, strict=True):
                yield Callout(HEADINGS[name], lines, each.severity)
        else:
            yield Callout(HEADINGS[name], [line for lines in told for line in lines])


def _labeled(name: str, finding: Finding, todo: str) -> list[tuple[str, str]]:
    if name not in _GRAVE:
        return [("", f"{finding.message} {finding.fix}")]
    lines = [
        ("", finding.message),
        ("Why", finding.why),
        (todo, finding.fix),
        ("What to write", finding.wording),
    ]
    return [(label, one_line(text)) for label, text in lines if text]


def findings_text(findings: Sequence[Finding]) -> str:
    """Write findings for a terminal; empty if there are none."""
    return "\n\n".join(
        "\n".join(
            [HEADINGS[name], *(line for each in own for line in _lines(name, each))]
        )
        for name, own in findings_by_weight(findings).items()
    )


def _lines(name: str, finding: Finding) -> list[str]:
    return [
        line
        for number, (label, text) in enumerate(_labeled(name, finding, "Do"))
        for line in textwrap.wrap(
            one_line(f"{label}: {text}" if label else text),
            width=_WIDTH,
            initial_indent=f"  {' ' if number else '-'} ",
            subsequent_indent="    ",
            break_long_words=False,
        )
    ]
