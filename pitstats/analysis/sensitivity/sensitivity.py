"""Would the answer change? The comparison again under every alternative on record."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pitstats.analysis.heat.gauge import Z_SHOWN
from pitstats.analysis.rates.pairs import largest_difference, seen_from_the_other_pit
from pitstats.analysis.rates.two_layouts import BothWays, compare_both_ways
from pitstats.analysis.results import FrameResult, PitComparison
from pitstats.analysis.sensitivity.alternatives import (
    GRATE_HEAT,
    LAYOUT,
    MOST_LEFT_OUT,
    ONE_OUT,
    SESSION_OUT,
    Alternative,
    all_alternatives,
    grate_means,
)
from pitstats.analysis.sensitivity.recount import (
    SHARED_PLACES,
    Recount,
    set_beside,
    with_sizes,
)
from pitstats.study.study import Study

ESTIMAND = (
    "difference of long-run burn rates, first pit minus second, under alternatives"
)
AS_REPORTED = "as reported"

METHOD = (
    "the comparison made again under each alternative; alternatives to the leading "
    "comparison itself (places, load time in the model) are set beside it, all others "
    "beside the same comparison {counted} (exact posterior, bake as the unit)"
)
HEAT_METHOD = (
    "Grate temperature: the odds of burning of each pit are divided by the factor "
    "10^(dT/z) by which browning ran faster at its mean grate temperature than at the "
    "mean of the pits, z {z} K. Mean grate temperatures, taken as known: {means}. "
    "Where burning sets in more sharply than in proportion to browning, the offset is "
    "worth more."
)
NOT_ADJUSTED = (
    "The alternatives were tried with no allowance for their number: this is a check "
    "of how firm the answer is, not new evidence."
)
ENDS_OF_PITS_ONLY = (
    "Of more than {n} bakes, or sessions, only the one with most and the one with "
    "least burning of each pit were left out."
)
COUNTED_ON_SHARED = (
    "The leading comparison uses a model over the places that all pits share; most "
    "alternatives are counted without the model, on the items that lay there, and set "
    "beside the same count."
)

MEMBER_COLUMNS = (
    "family",
    "alternative",
    "against",
    "pit_a",
    "pit_b",
    "n_bakes",
    "n_items",
    "estimate",
    "conf_low",
    "conf_high",
    "simultaneous_low",
    "simultaneous_high",
    "verdict",
    "base_estimate",
    "base_verdict",
    "shift",
    "shift_share",
    "tips",
)
COLUMNS = (*MEMBER_COLUMNS[:-1], "shift_from", "shift_to", "n_members", "tips")

#: Families in which data are taken away, so that intervals widen by that alone.
FEWER_BAKES = (ONE_OUT, SESSION_OUT)


@dataclass(frozen=True, kw_only=True, eq=False)
class Sensitivity(FrameResult):
    """How far the alternatives that the record allows move each difference.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per pair and idea, so that no idea counts more often for being tried in
        several ways: ``family, alternative`` (of the family's members the one that
        tips the verdict, else the one that moves the difference furthest), ``against``
        ("leading" or "counted"), ``pit_a, pit_b, n_bakes, n_items`` (of the pair),
        ``estimate, conf_low, conf_high, simultaneous_low, simultaneous_high,
        verdict``; ``base_estimate, base_verdict`` of what it is set beside, ``shift``
        (estimate less base estimate), ``shift_share`` (its size over the half width of
        the interval as reported), ``shift_from, shift_to, n_members`` (least and
        largest shift of all members, and their number) and ``tips`` (another verdict
        than that of the base and than the one reported, or the pits change places). The
        first row of a pair is the leading comparison itself.
    members : pandas.DataFrame
        The same columns up to ``shift_share`` and ``tips``, one row per member.
    not_tried : pandas.DataFrame
        ``family, alternative, reason``: what could not be computed, and why.
    leading : PitComparison
        The comparison that the report leads with.
    counted : str
        What the alternatives from counts are set beside.
    """

    table: pd.DataFrame
    members: pd.DataFrame
    not_tried: pd.DataFrame
    leading: PitComparison
    counted: str
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]

    def of_pair(self, pit_a: str, pit_b: str) -> pd.DataFrame:
        """Rows of one pair of pits, the first less the second."""
        return _of_pair(self.table, pit_a, pit_b)

    def members_of(self, pit_a: str, pit_b: str) -> pd.DataFrame:
        """Every single alternative of one pair of pits, the first less the second."""
        return _of_pair(self.members, pit_a, pit_b)

    @property
    def leading_pair(self) -> tuple[str, str]:
        """The pair with the largest difference as reported, the higher rate first."""
        row = largest_difference(self.leading.table)
        pair = str(row["pit_a"]), str(row["pit_b"])
        return pair if row["estimate"] >= 0 else pair[::-1]

    @property
    def reported(self) -> pd.Series:
        """The leading pair as reported."""
        return self.of_pair(*self.leading_pair).iloc[0]

    def tried(self) -> pd.DataFrame:
        """Alternatives of the leading pair."""
        return self.of_pair(*self.leading_pair).iloc[1:].reset_index(drop=True)

    @property
    def tipping(self) -> pd.Series | None:
        """The alternative with all bakes that tips the leading pair, if any does.

        Of several the one that moves the difference furthest.
        """
        whole = self.with_all_bakes()
        return _furthest(whole[whole["tips"]])

    @property
    def largest_shift(self) -> pd.Series | None:
        """The alternative with all bakes that moves the leading pair furthest."""
        return _furthest(self.with_all_bakes())

    @property
    def n_left_out(self) -> int:
        """Bakes of the leading pair that were left out, one at a time."""
        return len(self.one_out())

    @property
    def n_falls(self) -> int:
        """Of these the bakes without which the verdict is another."""
        return int(self.one_out()["tips"].sum())

    @property
    def session_falls(self) -> list[bool]:
        """Of each session left out whether the verdict is another without it."""
        return [bool(tips) for tips in self._members(SESSION_OUT)["tips"]]

    @property
    def fragile(self) -> bool:
        """Whether another way to compare, or one bake less, changes the verdict."""
        return self.tipping is not None or self.n_falls > 0

    def with_all_bakes(self) -> pd.DataFrame:
        """Alternatives of the leading pair that keep every bake."""
        return keeping_every_bake(self.tried())

    def other_pairs(self) -> pd.DataFrame:
        """Alternatives of every other pair that keep every bake."""
        table = keeping_every_bake(self.table[self.table["family"] != AS_REPORTED])
        own = table[["pit_a", "pit_b"]].isin(self.leading_pair).all(axis=1)
        return table[~own]

    @property
    def n_others_tipped(self) -> int:
        """Other pairs of which such an alternative tips the verdict."""
        others = self.other_pairs()
        return len(others.loc[others["tips"], ["pit_a", "pit_b"]].drop_duplicates())

    def one_out(self) -> pd.DataFrame:
        """The leading pair with each of its bakes left out in turn."""
        return self._members(ONE_OUT)

    def _members(self, family: str) -> pd.DataFrame:
        """Every single alternative of one family for the leading pair."""
        members = self.members_of(*self.leading_pair)
        return members[members["family"] == family]


def keeping_every_bake(table: pd.DataFrame) -> pd.DataFrame:
    """Alternatives that keep every bake."""
    return table[~table["family"].isin(FEWER_BAKES)]


def _of_pair(table: pd.DataFrame, pit_a: str, pit_b: str) -> pd.DataFrame:
    own = table[(table["pit_a"] == pit_a) & (table["pit_b"] == pit_b)]
    if len(own):
        return own
    own = table[(table["pit_a"] == pit_b) & (table["pit_b"] == pit_a)]
    return seen_from_the_other_pit(own)


def _furthest(rows: pd.DataFrame) -> pd.Series | None:
    return rows.iloc[int(rows["shift_share"].argmax())] if len(rows) else None


def check_sensitivity(
    study: Study,
    *,
    both: BothWays | None = None,
    refit: bool = True,
    conf_level: float | None = None,
) -> Sensitivity:
    """Make the comparison again under every alternative that the record allows.

    Parameters
    ----------
    study : Study
        A valid study with graded items in at least two pits.
    both : BothWays, optional
        Its comparison as `compare_both_ways` gives it, if it is at hand.
    refit : bool, default True
        Whether the model may be fitted once more, for the load time.
    conf_level : float, optional
        Between 0 and 1; the level of ``both`` or the study's own when not given.

    Returns
    -------
    Sensitivity
        How far each alternative moves the difference of every pair, and what tips it.

    Raises
    ------
    DesignError
        As for `compare_pits`.

    Notes
    -----
    The alternatives: the places counted (as baked, shared places); all grates at one
    temperature; all bakes equally long; load ranks that all pits share and, with a
    refit, equal load rank in the model; all missing items of one pit burned and none
    of the other's; every other face that could decide; second gradings; excluded
    bakes put back; each bake and each session of the two pits left out. Another cut of
    the grade scale is another question, not another answer to this one, and has a
    comparison of its own.

    A shift is set against the half width of the interval, since how many alternatives
    give another verdict says little beyond the p-value: a difference that only just
    excludes 0 is tipped by anything.

    A grate hotter by ``dT`` browns faster by ``10 ** (dT / z)``, the usual thermal
    death time form of a rate that rises with temperature [1]_; ``z`` of 25 to 60 K
    spans model systems and bread crust [2]_.

    References
    ----------
    .. [1] Bigelow WD (1921), The logarithmic nature of thermal death time curves,
       Journal of Infectious Diseases 29:528-536.
    .. [2] Zanoni B, Peri C, Bruno D (1995), Modelling of browning kinetics of bread
       crust during baking, LWT Food Science and Technology 28:604-609.

    Examples
    --------
    >>> import pitstats as ps
    >>> found = ps.check_sensitivity(ps.demo_study("one_bake_each"))
    >>> bool(found.table["tips"].any())
    False
    """
    if both is None or conf_level not in (None, both.as_baked.conf_level):
        both = compare_both_ways(study, conf_level=conf_level)
    recount, alternatives = all_alternatives(study, both, refit=refit)
    bases = {
        "leading": both.leading.table,
        "counted": recount.compare(recount.bakes()),
    }
    usable, not_tried = _sorted_out(alternatives, bases)
    members = _beside_bases([_as_reported(both), *usable], bases)
    members = _against_half_width(members, both.leading.table)
    return Sensitivity(
        table=_ideas(members),
        members=members,
        not_tried=pd.DataFrame(not_tried, columns=["family", "alternative", "reason"]),
        leading=both.leading,
        counted=recount.counted,
        estimand=ESTIMAND,
        method=_method(recount, members),
        conf_level=recount.level,
        caveats=_caveats(recount) if len(usable) else (),
    )


def _as_reported(both: BothWays) -> Alternative:
    return Alternative(
        family=AS_REPORTED,
        alternative=AS_REPORTED,
        table=with_sizes(both.leading.table, both.leading.rates),
        against="leading",
    )


def _sorted_out(
    alternatives: list[Alternative], bases: dict[str, pd.DataFrame]
) -> tuple[list[Alternative], list[tuple[str, str, str]]]:
    """Alternatives that can be set beside something, and reasons of the others."""
    usable, not_tried = [], []
    for item in alternatives:
        reason = item.reason
        if item.table is None or item.table.empty:
            reason = reason or "fewer than two pits have graded items"
        elif _no_verdict(item.table) and not _no_verdict(bases[item.against]):
            reason = "it leaves one bake of each pit, which gives no verdict"
        else:
            usable.append(item)
            continue
        not_tried.append((item.family, item.alternative, reason))
    return usable, not_tried


def _no_verdict(table: pd.DataFrame) -> bool:
    return bool((table["verdict"] == "one bake each").any())


def _beside_bases(
    alternatives: list[Alternative], bases: dict[str, pd.DataFrame]
) -> pd.DataFrame:
    """One table of all alternatives, each beside its base, in the order given."""
    frames = []
    for place, item in enumerate(alternatives):
        if item.table is not None:
            frame = item.table.assign(
                family=item.family, against=item.against, place=place
            )
            if "alternative" not in frame:
                frame["alternative"] = item.alternative
            frames.append(frame)
    table = pd.concat(frames, ignore_index=True)
    parts = [
        set_beside(table[table["against"] == against], base)
        for against, base in bases.items()
        if len(base)
    ]
    joined = pd.concat(parts, ignore_index=True).sort_values("place", kind="stable")
    return joined.reset_index(drop=True)


def _against_half_width(members: pd.DataFrame, leading: pd.DataFrame) -> pd.DataFrame:
    """Shifts as shares of the half width of each pair's interval as reported."""
    width = leading["simultaneous_high"] - leading["simultaneous_low"]
    pairs = zip(leading["pit_a"], leading["pit_b"], strict=True)
    half = dict(zip(pairs, width / 2, strict=True))
    named = zip(members["pit_a"], members["pit_b"], strict=True)
    own = np.array([half.get(pair, np.nan) for pair in named])
    members = members[np.isfinite(own)].reset_index(drop=True)
    share = members["shift"].abs() / own[np.isfinite(own)]
    # Where the count gives another verdict than the report to begin with, what comes
    # back to the report, or stays with the count, does not tip the answer.
    other = set_beside(members, leading)["changes"].to_numpy()
    made = members.assign(shift_share=share, tips=members["changes"] & other)
    return made[list(MEMBER_COLUMNS)]


def _ideas(members: pd.DataFrame) -> pd.DataFrame:
    """One row per pair and idea, in the order in which the ideas were tried."""
    # Which places count and whether a model stands behind them are two ideas.
    idea = members["family"].where(members["family"] != LAYOUT, members["alternative"])
    rows = []
    for _, own in members.groupby(["pit_a", "pit_b", idea], sort=False):
        # What tips comes first, then what moves furthest.
        order = own["shift_share"] + own["tips"] * (1 + own["shift_share"].max())
        shown = own.loc[order.idxmax()].to_dict()
        shown |= {"shift_from": own["shift"].min(), "shift_to": own["shift"].max()}
        rows.append((own.index[0], shown | {"n_members": len(own)}))
    rows.sort(key=lambda row: row[0])
    return pd.DataFrame([row for _, row in rows], columns=list(COLUMNS))


def _method(recount: Recount, table: pd.DataFrame) -> str:
    text = METHOD.format(counted=recount.counted)
    if (table["family"] == GRATE_HEAT).any():
        z = ", ".join(f"{value:.0f}" for value in Z_SHOWN)
        unit = recount.study.settings.temperature_unit
        means = ", ".join(
            f"{pit} {value:.0f} \N{DEGREE SIGN}{unit}"
            for pit, value in grate_means(recount).items()
        )
        text = f"{text}. {HEAT_METHOD.format(z=z, means=means)}"
    return text


def _caveats(recount: Recount) -> tuple[str, ...]:
    found = [NOT_ADJUSTED]
    if recount.counted == SHARED_PLACES:
        found.append(COUNTED_ON_SHARED)
    if len(recount.bakes()) > MOST_LEFT_OUT:
        found.append(ENDS_OF_PITS_ONLY.format(n=MOST_LEFT_OUT))
    return tuple(found)
