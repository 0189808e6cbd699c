"""How the numbers were made, what they cannot say, and cautions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from pitstats.analysis.results import BurnRates, PitComparison
from pitstats.report.wording.numbers import level_text
from pitstats.report.wording.rates import rate_sentence
from pitstats.stats.spread_prior import OWN, SD_LIMIT

if TYPE_CHECKING:
    from pitstats.analysis.fairness import Finding


_LIMITING = ("spoils", "weakens")


def method(comparison: PitComparison, rates: BurnRates) -> list[str]:
    """Describe the method from the settings used, with sources.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.
    rates : BurnRates
        Rates of the same study.

    Returns
    -------
    list of str
        Sentences.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("four_pits")
    >>> lines = method(ps.compare_pits(study), ps.estimate_burn_rates(study))
    >>> any("Jeffreys" in line for line in lines)
    True
    """
    level = level_text(rates.conf_level)
    n_bakes = int(rates.table["n_bakes"].sum())
    lines = [
        f"Unit of replication: the bake ({n_bakes} kept bakes). Items of one bake "
        "share one fire and are not independent.",
        "Model: the log odds of burning are a pit's level plus a normal bake effect; a "
        "pit's rate is its probability averaged over bakes. Rates have a Beta(1/2, "
        "1/2) prior (Jeffreys 1946, Proc R Soc A 186:453), the SD between bakes of "
        f"each pit a {OWN.margin} prior up to {SD_LIMIT} (after Gelman 2006, Bayesian "
        "Analysis 1:515), and the SDs of the pits are drawn to a common level. The "
        "posterior is computed on a grid, without sampling.",
        f"Intervals are equal-tailed {level} posterior intervals. In simulations of "
        "two pits compared as baked, with two to eight bakes and normal bake effects "
        "of one SD up to 1 for both, they covered the true difference in 93% or more "
        "of studies in every setting tried, for 95% claimed, while counting items as "
        "independent covered as little as 55%. Where one fire was up to six times as "
        "moody as the other they covered in 92% or more, but in 90% where the moody "
        "pit had two bakes and the other eight; a single pit's rate held in as few as "
        "87%.",
    ]
    if len(comparison.table) > 1:
        lines.append(
            "Verdicts follow simultaneous intervals for all pairs, built from joint "
            "posterior ranks (Besag, Green, Higdon and Mengersen 1995, Statistical "
            "Science 10:3); adjusted p-values match them."
        )
    if comparison.formula is not None:
        lines.append(
            f"Common layout: a logistic model with formula '{comparison.formula}', "
            "bakes as normal random effects and one slope along the grate for each "
            "pit; rates are averaged over the same cells for all pits (g-formula; "
            "Muller and MacLehose 2014, Int J Epidemiol 43:962). Slopes have log-F(1,1)"
            " priors over the full range of the layout (Greenland and Mansournia 2015, "
            "Stat Med 34:3133). The posterior is computed by weighted quasi-random "
            f"draws with a fixed seed. {comparison.session_note} In simulations of two "
            "pits with two to six bakes and SD up to 1 its interval for the difference "
            "held in 97% of studies on average and in 92% to 93% in the lowest settings"
            " tried; sessions were tried with two pits and equal layouts only."
        )
    lines.append(
        "The intervals 'if each item counted' are Wilson's for one share and "
        "Newcombe's for a difference (Newcombe 1998, Stat Med 17:857 and 17:873)."
    )
    return lines


def limits(
    comparison: PitComparison, rates: BurnRates, findings: Sequence[Finding] = ()
) -> list[str]:
    """List what this test cannot say.

    Parameters
    ----------
    comparison : PitComparison
        As returned by `compare_pits`.
    rates : BurnRates
        Rates of the same study.
    findings : sequence of Finding, default ()
        From `audit_fairness`; what spoils or weakens the comparison is a limit.

    Returns
    -------
    list of str
        Sentences, each once: what the audit found, the caveats of both results, what
        was seen as none or all, and what holds for every test of this kind.

    Examples
    --------
    >>> import pitstats as ps
    >>> study = ps.demo_study("nothing_burned")
    >>> sentences = limits(ps.compare_pits(study), ps.estimate_burn_rates(study))
    >>> any("could be up to" in sentence for sentence in sentences)
    True
    """
    audit = [
        f.message for f in findings if f.severity in _LIMITING and not f.is_question
    ]
    found = list(dict.fromkeys([*audit, *comparison.caveats, *rates.caveats]))
    table = rates.table
    extreme = (table["n_burned"] == 0) | (table["n_burned"] == table["n_items"])
    found += [
        rate_sentence(rates, pit)
        for pit in table["pit"][extreme & (table["n_items"] > 0)]
    ]
    if comparison.margin is None and not comparison.one_bake_each:
        found.append(
            "No margin was stated before the bakes, so 'no difference larger than' is "
            "not concluded for any pair; the smallest difference that the data exclude "
            "is given instead."
        )
    if (comparison.table["verdict"] == "cannot tell").any():
        found.append(
            "'Cannot tell' is not 'the same': these bakes are compatible with a "
            "difference and with none."
        )
    found.append(
        "The rates hold for these pits in these conditions: this wood, this weather, "
        "these items, these people. They are not properties of a kind of pit."
    )
    found.append(
        "The intervals assume that bakes of all pits vary about equally. If one pit's "
        "fire is much moodier than the others', its own interval is somewhat too short."
    )
    return found


SAFETY = (
    "Fire and hot steel: keep children and pets at least 3 ft (1 m) away, use long "
    "tools and gloves, never leave a burning pit.",
    "Distance: local rules differ, some ask for 10 ft (3 m) from anything that burns; "
    "ask the fire authority and use the larger figure.",
    "Carbon monoxide: burn outdoors only, never in a garage, tent, vehicle or under a "
    "porch roof; embers give it off until they are out.",
    "Ash: embers stay hot for days; use a metal bin with a tight lid, outdoors, away "
    "from anything that burns. Do not burn in high wind.",
    "Fuel: no fluid on a lit fire; no treated, painted or glued wood. Clean the grate "
    "and drip path first, old grease can flare.",
    "Raw dough: do not taste it; wash hands, tools and surfaces; keep it as cold as "
    "its label asks. Items graded raw are not served, burned ones are thrown away.",
    "Allergens: biscuits commonly hold wheat, milk and soy.",
)


SAFETY_CLOSING = (
    "Labels, makers' manuals, local fire code and licensed practice come before "
    "anything said here. This report gives no verdict on doneness, safety or fire code."
)
