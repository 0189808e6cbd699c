"""Planning by formula: what the textbooks say when every item counts on its own.

These are quick and well known, and they rest on large samples. They stand beside the
simulated answer of `pitstats.plan_bakes` to show how far they are off with few bakes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy.special import expit, ndtr, ndtri

from pitstats.errors import ArgumentError
from pitstats.stats.marginal import marginal_intercept
from pitstats.stats.quadrature import normal_nodes


def two_rate_power(
    rate_a: float,
    rate_b: float,
    n_items: float,
    *,
    alpha: float = 0.05,
    continuity: bool = False,
) -> float:
    """Chance to tell two burn rates apart with independent items.

    Notes
    -----
    R equivalent: ``power.prop.test(n =, p1 =, p2 =)``.

    References
    ----------
    .. [1] Fleiss, Tytun & Ury (1980), Biometrics 36:343-346.
    """
    _check_share("rate_a", rate_a)
    _check_share("rate_b", rate_b)
    check_level("alpha", alpha)
    _check_positive("n_items", n_items)
    gap, n = abs(rate_a - rate_b), float(n_items)
    if continuity and gap > 0:
        n = max(n - 1 / gap, 0.0) ** 2 / n
    middle = (rate_a + rate_b) / 2
    z = float(ndtri(1 - alpha / 2)) * math.sqrt(2 * middle * (1 - middle))
    apart = math.sqrt(rate_a * (1 - rate_a) + rate_b * (1 - rate_b))
    if apart == 0:
        return 1.0 if gap * math.sqrt(n) > z else 0.0
    return float(ndtr((math.sqrt(n) * gap - z) / apart))


def rate_icc(rate: float, sd_bake: float) -> float:
    """Intraclass correlation of items of one bake, on the probability scale."""
    check_level("rate", rate)
    if sd_bake < 0:
        raise ArgumentError(f"sd_bake is {sd_bake}; it cannot be negative")
    nodes, weights = normal_nodes(100)
    p = expit(float(marginal_intercept(rate, sd_bake)) + sd_bake * nodes)
    return float((p - rate) ** 2 @ weights / (rate * (1 - rate)))


def design_effect(n_items: float, icc: float, size_cv: float = 0.0) -> float:
    """Factor by which sharing bakes multiplies the items needed.

    References
    ----------
    .. [1] Kish (1965), Survey Sampling, section 5.4.
    .. [2] Eldridge, Ashby & Kerry (2006), Sample size for cluster randomized trials:
       effect of coefficient of variation of cluster size, International Journal of
       Epidemiology 35:1292-1300.
    """
    _check_positive("n_items", n_items)
    _check_icc(icc)
    if size_cv < 0:
        raise ArgumentError(f"size_cv is {size_cv}; it cannot be negative")
    return 1 + ((size_cv**2 + 1) * n_items - 1) * icc


def best_items_per_bake(
    cost_per_bake: float, cost_per_item: float, icc: float
) -> float:
    """Items per bake that make a rate most precise for the money.

    References
    ----------
    .. [1] Cochran (1977), Sampling Techniques, 3rd ed., section 10.6.
    .. [2] Hansen, Hurwitz & Madow (1953), Sample Survey Methods and Theory, vol. 1,
       chapter 6.
    """
    _check_positive("cost_per_bake", cost_per_bake)
    _check_positive("cost_per_item", cost_per_item)
    if not 0 < icc < 1:
        raise ArgumentError(
            f"icc is {icc}; the best split needs it strictly between 0 and 1 (without "
            "spread between bakes one large bake is cheapest)"
        )
    return math.sqrt(cost_per_bake / cost_per_item * (1 - icc) / icc)


@dataclass(frozen=True, kw_only=True)
class Split:
    """How to divide effort between bakes and items.

    Attributes
    ----------
    bakes, items : float
        Bakes and items per bake, not rounded.
    cost : float
        Total cost, in the unit of the costs given.
    relative_error : float
        Standard error in units of the standard deviation of one item.
    """

    bakes: float
    items: float
    cost: float
    relative_error: float


def split_for_budget(
    budget: float, cost_per_bake: float, cost_per_item: float, icc: float
) -> Split:
    """Divide a budget between bakes and items so that a rate is most precise.

    References
    ----------
    .. [1] Valliant, Dever & Kreuter (2013), Practical Tools for Designing and Weighting
       Survey Samples, section 9.3.1.
    """
    _check_positive("budget", budget)
    items = best_items_per_bake(cost_per_bake, cost_per_item, icc)
    bakes = budget / (cost_per_bake + cost_per_item * items)
    error = math.sqrt(design_effect(items, icc) / (bakes * items))
    return Split(bakes=bakes, items=items, cost=budget, relative_error=error)


def rule_of_three(n_items: float) -> float:
    """Rough upper 95 % limit of a rate when none of the items burned.

    References
    ----------
    .. [1] Hanley & Lippman-Hand (1983), If nothing goes wrong, is everything all
       right? Journal of the American Medical Association 249:1743-1745.
    """
    _check_positive("n_items", n_items)
    return min(3 / n_items, 1.0)


def _check_share(name: str, value: float) -> None:
    if not 0 <= value <= 1:
        raise ArgumentError(f"{name} is {value}; a rate lies between 0 and 1")


def check_level(name: str, value: float) -> float:
    """Check a chance, or a level of intervals."""
    if not 0 < value < 1:
        raise ArgumentError(f"{name} is {value}; it must lie between 0 and 1")
    return float(value)


def _check_positive(name: str, value: float) -> None:
    if not value > 0 or math.isinf(value):
        raise ArgumentError(f"{name} is {value}; it must be above 0")


def _check_icc(icc: float) -> None:
    if not 0 <= icc <= 1:
        raise ArgumentError(f"icc is {icc}; it must lie between 0 and 1")
