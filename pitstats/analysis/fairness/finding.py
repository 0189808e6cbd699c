"""One finding of the audit, and the record that all detectors look at."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import pandas as pd

from pitstats.analysis.fairness.design_audit import DesignAudit, audit_design
from pitstats.analysis.fairness.factors import audited_bakes, is_plan
from pitstats.study.frozen_plan import changed_settings
from pitstats.study.outcomes import bake_totals, item_outcomes
from pitstats.study.percent import true_minus
from pitstats.study.study import Study

Severity = Literal["spoils", "weakens", "note"]
Topic = Literal[
    "difference", "rates", "grades", "map", "evenness", "temperature", "settings"
]

SEVERITY_ORDER: dict[str, int] = {"spoils": 0, "weakens": 1, "note": 2}
#: Findings whose name begins so are questions that no record can answer.
QUESTION = "ask_"


@dataclass(frozen=True)
class Finding:
    """One thing that spoils, weakens or merely colors the comparison.

    Attributes
    ----------
    id : str
        Short name of the detector. Names that begin with ``ask_`` are questions to the
        reader of things that no record can show.
    severity : {"spoils", "weakens", "note"}
        ``spoils``: the comparison does not mean what it seems to; ``weakens``: a
        rival explanation remains; ``note``: the reader should know.
    message : str
        What was found, with numbers.
    fix : str
        The smallest change that would remove it, now or in the next test.
    why : str
        Why it matters, in one sentence.
    wording : str
        What it does to the words of the write-up.
    touches : tuple of str
        Numbers of the report it bears on, so that it can be shown beside them.
    short : str
        The finding in a few words, for a line beside a number.
    """

    id: str
    severity: Severity
    message: str
    fix: str
    why: str = ""
    wording: str = ""
    touches: tuple[Topic, ...] = ("difference",)
    short: str = ""

    @property
    def is_question(self) -> bool:
        """Whether it asks what no record can show."""
        return self.id.startswith(QUESTION)


@dataclass(frozen=True, kw_only=True, eq=False)
class Record:
    """A study as the detectors see it; what is costly is worked out once.

    Attributes
    ----------
    study : Study
        As read.
    known : DesignAudit or None
        The audit of its design, if it was made already.
    """

    study: Study
    known: DesignAudit | None = None

    @cached_property
    def bakes(self) -> pd.DataFrame:
        """Kept bakes, or the planned bakes of a plan."""
        return audited_bakes(self.study)

    @cached_property
    def changed_settings(self) -> dict[str, tuple[str, str]] | None:
        """Settings that a frozen plan has otherwise; None without such a plan."""
        return changed_settings(self.study)

    @cached_property
    def is_plan(self) -> bool:
        """Whether nothing was baked yet."""
        return is_plan(self.study)

    @cached_property
    def items(self) -> pd.DataFrame:
        """Items of `bakes` with pit, place and outcome (no outcome in a plan)."""
        if not self.is_plan:
            return item_outcomes(self.study)
        bakes = self.study.bakes
        laid_out = bakes["bake"].isin(self.study.items["bake"])
        if not (laid_out & bakes["status"].eq("planned")).any():
            return item_outcomes(self.study)
        status = bakes["status"].replace("planned", "kept")
        # A reason for leaving out stays with what is left out.
        reason = bakes["reason"].where(status.eq("excluded"))
        as_if = bakes.assign(status=status, reason=reason)[laid_out]
        return item_outcomes(replace(self.study, bakes=as_if))

    @cached_property
    def totals(self) -> pd.DataFrame:
        """Totals of every kept bake."""
        return bake_totals(self.study)

    @cached_property
    def design(self) -> DesignAudit:
        """What the design can never separate."""
        return audit_design(self.study) if self.known is None else self.known

    @cached_property
    def bakes_per_pit(self) -> pd.Series:
        """Number of bakes of each pit, in the order of the pits."""
        counts = self.bakes.groupby("pit", sort=False).size()
        return counts.astype(int)

    @property
    def one_bake_each(self) -> bool:
        """Whether no pit was baked twice."""
        return bool(len(self.bakes_per_pit)) and int(self.bakes_per_pit.max()) == 1

    @property
    def n_pits(self) -> int:
        """Number of pits with bakes."""
        return len(self.bakes_per_pit)


def per_pit_text(values: pd.Series, form: str = "{}") -> str:
    """Write one value per pit as ``Quarry 1, Ferry 2``.

    Examples
    --------
    >>> per_pit_text(pd.Series({"Quarry": 1.0, "Ferry": 0.25}), "{:.2f}")
    'Quarry 1.00, Ferry 0.25'
    >>> per_pit_text(pd.Series({"Quarry": 26.0, "Ferry": -7.0}), "{:+.0f}")
    'Quarry +26, Ferry \N{MINUS SIGN}7'
    """
    return ", ".join(
        f"{pit} {true_minus(form.format(value))}" for pit, value in values.items()
    )
