"""Words that many sections share: counts, lists, who is ahead, how far a claim goes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from pitstats.analysis.rates.pairs import SEPARATED
from pitstats.analysis.results import PitComparison
from pitstats.report.numbers import bare_points, level_text, points
from pitstats.study.cells import listing
from pitstats.study.cells import one_line as one_line

if TYPE_CHECKING:
    from pitstats.analysis.fairness import Finding, Topic

_NUMBER_WORDS = (
    *("none", "one", "two", "three", "four", "five"),
    *("six", "seven", "eight", "nine", "ten"),
)
IN_CONDITIONS = "in these conditions"
IN_BAKES = "in these bakes"
AS_SET_UP = ", as set up"
BORROWED = "the spread between bakes of a pit baked once is borrowed from the others"
BY_ASSUMPTION = "its width is set by assumption, not by these data"
_AVERAGED = {
    "common": "averaged over bakes and over the places that all pits share",
    "own": "averaged over bakes and over the cells of the stated layout",
    "as baked": "averaged over bakes, wherever the items lay",
}


def as_typed(value: Any) -> str:
    """Return a recorded value the way a user would type it.

    Examples
    --------
    >>> as_typed(True), as_typed(0.50), as_typed("a  b")
    ('yes', '0.5', 'a b')
    """
    if pd.api.types.is_bool(value):
        return "yes" if value else "no"
    return f"{value:g}" if pd.api.types.is_number(value) else one_line(value)


def number_word(n: int) -> str:
    """Write a number as a word up to ten.

    Examples
    --------
    >>> number_word(0), number_word(10), number_word(11)
    ('none', 'ten', '11')
    """
    return _NUMBER_WORDS[n] if 0 <= n < len(_NUMBER_WORDS) else str(n)


def plural(n: int, noun: str, many: str = "") -> str:
    """The noun alone, in the number that goes with ``n``."""
    return noun if n == 1 else many or f"{noun}s"


def count(n: int, noun: str, many: str = "") -> str:
    """Write a number with its noun, as a word up to ten.

    Examples
    --------
    >>> count(0, "bake"), count(1, "bake"), count(12, "bake")
    ('no bakes', 'one bake', '12 bakes')
    """
    return f"{number_word(n) if n else 'no'} {plural(n, noun, many)}"


def listed(names: Iterable[object]) -> str:
    """Join names or phrases the way a sentence does."""
    return listing([one_line(name) for name in names], "and")


def sentence(text: str) -> str:
    """Begin with a capital and end with a full stop."""
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?")) else ".")


class Ahead(NamedTuple):
    """A pair seen from the pit with the higher rate: one direction on a page."""

    more: str
    less: str
    estimate: float
    low: float
    high: float


def ahead(pair: Mapping[Any, Any] | pd.Series, prefix: str = "simultaneous") -> Ahead:
    """See a pair from the pit that is ahead, with the interval that decides."""
    a, b = one_line(pair["pit_a"]), one_line(pair["pit_b"])
    low, high = float(pair[f"{prefix}_low"]), float(pair[f"{prefix}_high"])
    estimate = float(pair["estimate"])
    if estimate < 0:
        return Ahead(b, a, -estimate, -high, -low)
    return Ahead(a, b, estimate, low, high)


def more_span(low: float, high: float) -> str:
    """Write an interval seen from the pit that is ahead.

    Examples
    --------
    >>> more_span(0.02, 0.47), more_span(-0.15, 0.35)
    ('2 to 47 points more', '15 points less to 35 points more')
    """
    if low > 0:
        return f"{bare_points(low)} to {points(high)} more"
    return f"{points(low)} less to {points(high)} more"


def pits_of(pairs: pd.DataFrame) -> list[str]:
    """Pits of a table of pairs, in their order."""
    return list(dict.fromkeys([*pairs["pit_a"], *pairs["pit_b"]]))


def separated(table: pd.DataFrame) -> pd.DataFrame:
    """Rows whose verdict is that there is a difference."""
    return table[table["verdict"].isin(SEPARATED)]


def separated_pairs(table: pd.DataFrame) -> list[Ahead]:
    """Separated pairs, each seen from the pit that is ahead."""
    return [ahead(row) for row in separated(table).to_dict("records")]


def farthest_ends(pairs: pd.DataFrame) -> pd.Series:
    """How far each pair may differ by its interval for all pairs."""
    return pairs[["simultaneous_low", "simultaneous_high"]].abs().max(axis=1)


def in_these(n_bakes: int) -> str:
    """Say in which bakes something was seen.

    Examples
    --------
    >>> in_these(1), in_these(3)
    ('in this bake', 'in these three bakes')
    """
    return "in this bake" if n_bakes == 1 else f"in these {count(n_bakes, 'bake')}"


def all_pairs(n_pairs: int) -> str:
    """What an interval allows for, where there is more than one pair."""
    return f", allowing for all {n_pairs} pairs" if n_pairs > 1 else ""


def intervals_for(conf_level: float, n_pairs: int) -> str:
    """Name the interval, or the intervals that allow for all pairs.

    Examples
    --------
    >>> intervals_for(0.95, 1), intervals_for(0.95, 3)
    ('95% interval', '95% intervals that allow for all 3 pairs')
    """
    level = f"{level_text(conf_level)} {plural(n_pairs, 'interval')}"
    return level + (f" that allow for all {n_pairs} pairs" if n_pairs > 1 else "")


def averaged_over(layout: str) -> str:
    """Say what rates are averaged over."""
    return _AVERAGED.get(layout, _AVERAGED["as baked"])


def fewest_bakes(comparison: PitComparison, pits: Sequence[str]) -> int:
    """Bakes of the pit that has fewest."""
    return min(int(comparison.n_bakes.get(pit, 0)) for pit in pits)


def conditions(
    comparison: PitComparison,
    pits: Sequence[str],
    findings: Sequence[Finding] = (),
    *,
    as_set_up: bool = False,
) -> str:
    """Say how far a statement about pits reaches.

    These bakes only, where a pit was baked once or something spoils the comparison.
    """
    these = fewest_bakes(comparison, pits) <= 1 or doubts(findings)
    return (IN_BAKES if these else IN_CONDITIONS) + (AS_SET_UP if as_set_up else "")


def bakes_behind(comparison: PitComparison, pits: Sequence[str]) -> str:
    """Say how many bakes of each pit a statement rests on.

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


def of_severity(findings: Sequence[Finding], *severities: str) -> list[Finding]:
    """What the audit found of these severities; questions are no findings."""
    return [f for f in findings if f.severity in severities and not f.is_question]


def doubts(findings: Sequence[Finding]) -> str:
    """List what keeps a difference from being told from something else.

    Examples
    --------
    >>> import pitstats as ps
    >>> doubts(ps.audit_fairness(ps.demo_study("four_pits")))
    ''
    """
    return "; ".join(
        one_line(finding.short or finding.message).rstrip(".")
        for finding in of_severity(findings, "spoils")
        if "difference" in finding.touches
    )


def read_with(findings: Sequence[Finding], topic: Topic) -> str:
    """Name the graver findings that bear on a number, for a line beside it."""
    words = [
        one_line(finding.short)
        + (" (may spoil the comparison)" if finding.severity == "spoils" else "")
        for finding in of_severity(findings, "spoils", "weakens")
        if topic in finding.touches and finding.short
    ]
    return f"Read with: {'; '.join(words)}." if words else ""
