"""What a number is about: conditions, what it is averaged over, the bakes behind it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from pitstats.analysis.results import BurnRates, PitComparison
from pitstats.report.wording.numbers import count, listed, one_line

if TYPE_CHECKING:
    from pitstats.analysis.fairness import Finding

AS_SET_UP = ", as set up"
IN_CONDITIONS = "in these conditions"
IN_BAKES = "in these bakes"

_AVERAGED = {
    "common": "averaged over bakes and over the places that all pits share",
    "own": "averaged over bakes and over the cells of the stated layout",
    "as baked": "averaged over bakes, wherever the items lay",
}


def averaged_over(comparison: PitComparison) -> str:
    """Say what the rates of a comparison are averaged over.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.

    Returns
    -------
    str
        Bakes, and the places of the items.

    Examples
    --------
    >>> import pitstats as ps
    >>> averaged_over(ps.compare_pits(ps.demo_study("one_bake_each")))
    'averaged over bakes, wherever the items lay'
    """
    return _AVERAGED.get(comparison.layout, _AVERAGED["as baked"])


def rates_averaged_over(rates: BurnRates) -> str:
    """Say what rates of single pits are averaged over.

    Parameters
    ----------
    rates : BurnRates
        As returned by `estimate_burn_rates`, or of `compare_both_ways`.

    Returns
    -------
    str
        Bakes, and the places of the items.
    """
    return _AVERAGED[rates.layout]


def conditions(
    comparison: PitComparison, pits: Sequence[str], as_set_up: bool = False
) -> str:
    """Say how far a statement about pits reaches.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.
    pits : sequence of str
        The pits of the statement.
    as_set_up : bool, default False
        Whether a setting went with the pits.

    Returns
    -------
    str
        These bakes only, where a pit was baked once; these conditions otherwise.
    """
    fewest = min(int(comparison.n_bakes.get(pit, 0)) for pit in pits)
    where = IN_BAKES if fewest <= 1 else IN_CONDITIONS
    return where + (AS_SET_UP if as_set_up else "")


def bakes_behind(comparison: PitComparison, pits: Sequence[str]) -> str:
    """Say how many bakes of each pit a statement rests on.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.
    pits : sequence of str
        The pits of the statement.

    Returns
    -------
    str
        One number where it is one for all of them; each pit's, or the least and the
        most, otherwise.

    Examples
    --------
    >>> import pitstats as ps
    >>> comparison = ps.compare_pits(ps.demo_study("four_pits"))
    >>> bakes_behind(comparison, ["Quarry", "Ferry"])
    'four bakes of each pit'
    """
    n_bakes = {pit: int(comparison.n_bakes.get(pit, 0)) for pit in pits}
    least, most = min(n_bakes.values()), max(n_bakes.values())
    if least == most:
        return f"{count(least, 'bake')} of each pit"
    if len(n_bakes) > 2:
        return f"{least} to {most} bakes of each pit"
    return listed([f"{count(n, 'bake')} of {one_line(p)}" for p, n in n_bakes.items()])


def both_pits(pair: pd.Series | Mapping[Any, Any]) -> list[str]:
    """Pits of a row of the table of pairs."""
    return [str(pair["pit_a"]), str(pair["pit_b"])]


def doubts(findings: Sequence[Finding]) -> str:
    """List what keeps a difference from being told from something else.

    Parameters
    ----------
    findings : sequence of Finding
        From `audit_fairness`.

    Returns
    -------
    str
        What spoils the comparison, in few words where the audit has them; empty if
        nothing does.

    Examples
    --------
    >>> import pitstats as ps
    >>> doubts(ps.audit_fairness(ps.demo_study("four_pits")))
    ''
    """
    return "; ".join(
        one_line(finding.short or finding.message).rstrip(".")
        for finding in findings
        if finding.severity == "spoils"
        and "difference" in finding.touches
        and not finding.is_question
    )
