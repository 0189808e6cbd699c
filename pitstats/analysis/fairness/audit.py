"""The audit: all detectors, gravest findings first."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator

import pandas as pd

from pitstats.analysis.fairness.conduct import find_in_conduct
from pitstats.analysis.fairness.design import find_in_design
from pitstats.analysis.fairness.design_audit import DesignAudit
from pitstats.analysis.fairness.factors import SETTING_COLUMNS, audited_bakes
from pitstats.analysis.fairness.finding import SEVERITY_ORDER, Finding, Record
from pitstats.analysis.fairness.looks import find_in_looks
from pitstats.analysis.fairness.mistakes import (
    find_changed_plan,
    find_questions,
    find_unrecorded,
)
from pitstats.analysis.fairness.outcome import find_in_outcomes
from pitstats.study.study import Study

_DETECTORS: tuple[Callable[[Record], Iterator[Finding]], ...] = (
    find_in_design,
    find_in_conduct,
    find_in_outcomes,
    find_in_looks,
    find_changed_plan,
    find_unrecorded,
    find_questions,
)


def audit_fairness(study: Study, *, design: DesignAudit | None = None) -> list[Finding]:
    """Look for what could explain a difference other than the pits.

    Parameters
    ----------
    study : Study
        A valid study. If all its bakes are planned, it is looked at as a plan: what it
        can never separate, before any fire is lit.
    design : DesignAudit, optional
        What `audit_design` finds in it, where that is known already.

    Returns
    -------
    list of Finding
        Gravest first, questions that no record can answer last. What was not recorded
        cannot be checked, and that is a finding too.

    See Also
    --------
    audit_design : the linear algebra behind the findings about the design.
    suggest_bakes : the fewest bakes that would separate what cannot be separated.

    Examples
    --------
    >>> import pitstats as ps
    >>> findings = ps.audit_fairness(ps.demo_study("unfair_order"))
    >>> findings[0].id, findings[0].severity
    ('order_fixed', 'spoils')
    """
    record = Record(study=study, known=design)
    found = [finding for detect in _DETECTORS for finding in detect(record)]
    return sorted(
        found,
        key=lambda finding: (SEVERITY_ORDER[finding.severity], finding.is_question),
    )


def settings_differ(study: Study, pits: Collection[str]) -> bool:
    """Whether a setting never varies within a pit but differs between these pits.

    Examples
    --------
    >>> import pitstats as ps
    >>> settings_differ(ps.demo_study("one_bake_each"), ["Quarry", "Ferry"])
    False
    """
    bakes = audited_bakes(study)
    bakes = bakes[bakes["pit"].isin(pits)]
    return any(_tied_to_pit(bakes, column) for column in SETTING_COLUMNS)


def _tied_to_pit(bakes: pd.DataFrame, column: str) -> bool:
    known = bakes[bakes[column].notna()]
    if known["pit"].nunique() < 2 or known[column].nunique() < 2:
        return False
    per_pit = known.groupby("pit")[column]
    # Two pits that each kept a value of their own are enough: those two cannot be
    # told from their settings, whatever the other pits did.
    return bool(per_pit.first()[per_pit.nunique() == 1].nunique() > 1)
