"""Would the answer change? The comparison again under every alternative on record."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from pitstats.analysis.heat.gauge import Z_SHOWN
from pitstats.analysis.rates.two_layouts import BothWays, compare_both_ways
from pitstats.analysis.results import PitComparison, frame_with_caveats
from pitstats.analysis.sensitivity.alternatives import (
    GRATE_HEAT,
    MOST_LEFT_OUT,
    Alternative,
    all_alternatives,
    grate_means,
)
from pitstats.analysis.sensitivity.recount import (
    SHARED_PLACES,
    Recount,
    seen_from_the_other_pit,
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
    "With more than {n} bakes only the bake with most and the one with least burning "
    "of each pit were left out."
)
COUNTED_ON_SHARED = (
    "The leading comparison uses a model over the places that all pits share; most "
    "alternatives are counted without the model, on the items that lay there, and set "
    "beside the same count."
)

COLUMNS = (
    "about",
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
    "changes",
    "stands",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Sensitivity:
    """The comparison under every alternative that the record allows.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per alternative and pair: ``about`` (what the alternative is about),
        ``alternative, against`` ("leading" or "counted"), ``pit_a, pit_b, n_bakes,
        n_items`` (of the pair), ``estimate, conf_low, conf_high, simultaneous_low,
        simultaneous_high, verdict``; ``base_estimate, base_verdict`` of what it is set
        beside, ``shift`` (estimate less base estimate) and ``changes`` (another
        verdict, or the pits change places); ``stands``: whether the verdict of the
        leading comparison is given, for the same pit. The first rows are the leading
        comparison itself.
    not_tried : pandas.DataFrame
        ``about, alternative, reason``: what could not be computed, and why.
    leading : PitComparison
        The comparison that the report leads with.
    counted : str
        What the alternatives from counts are set beside.
    """

    table: pd.DataFrame
    not_tried: pd.DataFrame
    leading: PitComparison
    counted: str
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the table."""
        return self.table.copy()

    def of_pair(self, pit_a: str, pit_b: str) -> pd.DataFrame:
        """Rows of one pair of pits, seen from either side.

        Parameters
        ----------
        pit_a, pit_b : str
            The pair; the difference is that of the first less the second.

        Returns
        -------
        pandas.DataFrame
            Rows of `table`, with signs turned where the pair stands there the other
            way round.
        """
        table = self.table
        own = table[(table["pit_a"] == pit_a) & (table["pit_b"] == pit_b)]
        if len(own):
            return own
        own = table[(table["pit_a"] == pit_b) & (table["pit_b"] == pit_a)]
        return seen_from_the_other_pit(own)

    @property
    def leading_pair(self) -> tuple[str, str]:
        """The pair with the largest difference as reported, the higher rate first."""
        table = self.leading.table
        row = table.iloc[int(table["estimate"].abs().argmax())]
        pair = str(row["pit_a"]), str(row["pit_b"])
        return pair if row["estimate"] >= 0 else pair[::-1]

    def _repr_html_(self) -> str:
        return frame_with_caveats(self.table, self.estimand, self.caveats)


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
        Estimates, intervals and verdicts of all pairs under each alternative.

    Raises
    ------
    DesignError
        As for `compare_pits`.

    Notes
    -----
    The alternatives: the places counted (as baked, shared places); all grates at one
    temperature; all bakes equally long; load ranks that all pits share and, with a
    refit, equal load rank in the model; all missing items of one pit burned and none
    of the other's; every other cut for burned; every other face that could decide;
    second gradings; excluded bakes put back; each bake and each session left out.

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
    >>> bool(found.table["changes"].any())
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
    table = _beside_bases([_as_reported(both), *usable], bases)
    table["stands"] = ~set_beside(table, both.leading.table)["changes"].to_numpy()
    return Sensitivity(
        table=table[list(COLUMNS)],
        not_tried=pd.DataFrame(not_tried, columns=["about", "alternative", "reason"]),
        leading=both.leading,
        counted=recount.counted,
        estimand=ESTIMAND,
        method=_method(recount, table),
        conf_level=recount.level,
        caveats=_caveats(recount) if len(usable) else (),
    )


def _as_reported(both: BothWays) -> Alternative:
    return Alternative(
        about=AS_REPORTED,
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
        not_tried.append((item.about, item.alternative, reason))
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
                about=item.about, against=item.against, place=place
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


def _method(recount: Recount, table: pd.DataFrame) -> str:
    text = METHOD.format(counted=recount.counted)
    if (table["about"] == GRATE_HEAT).any():
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
