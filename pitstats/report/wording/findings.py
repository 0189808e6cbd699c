"""Findings of the audit as a page and a terminal show them."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from pitstats.analysis.fairness import Finding, Topic
from pitstats.report.wording.numbers import one_line

HEADINGS = {
    "spoils": "May spoil the comparison",
    "weakens": "Weakens the comparison",
    "note": "Good to know",
    "ask": "Only you can answer",
}

_WIDTH = 88


def findings_by_weight(
    findings: Sequence[Finding],
) -> dict[str, list[Finding]]:
    """Sort findings under the headings that readers see, gravest first.

    Parameters
    ----------
    findings : sequence of Finding
        From `audit_fairness`.

    Returns
    -------
    dict
        Keys of `HEADINGS` that have findings; questions stand under ``"ask"``.

    Examples
    --------
    >>> import pitstats as ps
    >>> list(findings_by_weight(ps.audit_fairness(ps.demo_study("one_bake_each"))))
    ['spoils', 'note', 'ask']
    """
    groups: dict[str, list[Finding]] = {name: [] for name in HEADINGS}
    for finding in findings:
        groups["ask" if finding.is_question else finding.severity].append(finding)
    return {name: own for name, own in groups.items() if own}


def findings_text(findings: Sequence[Finding]) -> str:
    """Write findings for a terminal.

    Parameters
    ----------
    findings : sequence of Finding
        From `audit_fairness`.

    Returns
    -------
    str
        Graver ones with why they matter, what to do and what to write; notes and
        questions in short. Empty if there are none.

    Examples
    --------
    >>> import pitstats as ps
    >>> text = findings_text(ps.audit_fairness(ps.demo_study("one_bake_each")))
    >>> text.splitlines()[0]
    'May spoil the comparison'
    """
    blocks = []
    for name, own in findings_by_weight(findings).items():
        lines = [HEADINGS[name]]
        for finding in own:
            lines += _lines(finding, short=name in ("note", "ask"))
        blocks.append("\n".join(lines))
    return "\n\n".join(blocks)


def _lines(finding: Finding, *, short: bool) -> list[str]:
    if short:
        parts = [("-", f"{finding.message} {finding.fix}")]
    else:
        parts = [
            ("-", finding.message),
            (" ", _labeled("Why", finding.why)),
            (" ", _labeled("Do", finding.fix)),
            (" ", _labeled("Write", finding.wording)),
        ]
    lines: list[str] = []
    for mark, text in parts:
        if text:
            lines += textwrap.wrap(
                one_line(text),
                width=_WIDTH,
                initial_indent=f"  {mark} ",
                subsequent_indent="    ",
                break_long_words=False,
            )
    return lines


def _labeled(label: str, text: str) -> str:
    return f"{label}: {text}" if text else ""


def read_with(findings: Sequence[Finding], topic: Topic, *, notes: bool = True) -> str:
    """Name the findings that bear on a number, for a line beside it.

    Parameters
    ----------
    findings : sequence of Finding
        From `audit_fairness`.
    topic : str
        What the number is about.
    notes : bool, default True
        Whether mere notes are named too.

    Returns
    -------
    str
        One line, gravest first, or nothing.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = ps.audit_fairness(ps.demo_study("unfair_order"))
    >>> read_with(found, "settings")
    'Read with: damper opening went with the pit.'
    """
    own = [
        finding
        for finding in findings
        if topic in finding.touches
        and finding.short
        and not finding.is_question
        and (notes or finding.severity != "note")
    ]
    if not own:
        return ""
    words = [
        one_line(finding.short)
        + (" (may spoil the comparison)" if finding.severity == "spoils" else "")
        for finding in own
    ]
    return f"Read with: {'; '.join(words)}."
