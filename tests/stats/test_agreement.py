"""Bias and limits of agreement: published values, other routes, theory, simulation."""

import numpy as np
import pytest
from scipy import stats as sps

from pitstats.stats import limits_of_agreement
from pitstats.stats.agreement import quantile_factors

# Peak expiratory flow, l/min, 17 subjects: first reading of a Wright meter and of a
# mini Wright meter; Bland JM, Altman DG (1986), Lancet i:307-310, table 1.
WRIGHT = np.fromstring(
    "494 395 516 434 476 557 413 442 650 433 417 656 267 478 178 423 427", sep=" "
)
MINI = np.fromstring(
    "512 430 520 428 500 600 364 380 658 445 432 626 260 477 259 350 451", sep=" "
)
WRIGHT_AGAIN = np.fromstring(
    "490 397 512 401 470 611 415 431 638 429 420 633 275 492 165 372 421", sep=" "
)
MINI_AGAIN = np.fromstring(
    "525 415 508 444 500 625 460 390 642 432 420 605 227 467 268 370 443", sep=" "
)


def test_peak_flow_of_1986() -> None:
    # Published: mean -2.1, SD 38.8; limits of 2 SD -79.7 and 75.5 from those rounded
    # numbers (unrounded -79.648 and 75.413); SE of the mean 9.4, interval -22.0 to
    # 17.8; interval of the lower limit -114.3 to -45.1, of the upper 40.9 to 110.1
    # (again from rounded numbers).
    agreed = limits_of_agreement(WRIGHT, MINI, multiplier=2)
    assert agreed.bias == pytest.approx(-2.1, abs=0.05)
    assert agreed.sd == pytest.approx(38.8, abs=0.05)
    assert agreed.lower == pytest.approx(-79.648, abs=0.0005)
    assert agreed.upper == pytest.approx(75.413, abs=0.0005)
    assert agreed.bias_interval == pytest.approx((-22.049, 17.814), abs=0.0005)
    assert agreed.lower_approximate == pytest.approx((-114.170, -45.126), abs=0.0005)
    assert agreed.upper_approximate == pytest.approx((40.891, 109.934), abs=0.0005)
    assert agreed.lower_approximate == pytest.approx((-114.3, -45.1), abs=0.15)


@pytest.mark.parametrize(
    ("first", "second", "within", "repeatability"),
    [(WRIGHT, WRIGHT_AGAIN, 15.307, 43.2), (MINI, MINI_AGAIN, 19.911, 56.4)],
)
def test_repeatability_of_1986(
    first: np.ndarray, second: np.ndarray, within: float, repeatability: float
) -> None:
    # Published: repeatability coefficients 43.2 (Wright) and 56.4 (mini), within-
    # subject SDs 15.3 and 19.9; recomputed 43.29 and 56.32, 15.307 and 19.911.
    readings = np.concatenate([first, second])
    agreed = limits_of_agreement(readings, np.zeros(34), np.tile(np.arange(17), 2))
    assert agreed.sd_within == pytest.approx(within, abs=0.0005)
    coefficient = 2 * np.sqrt(2) * agreed.sd_within
    assert coefficient == pytest.approx(repeatability, abs=0.1)


def test_limits_of_1999_use_the_normal_quantile() -> None:
    # Bland & Altman (1999) usage; computed for these data: -78.097 and 73.862 with
    # 1.96 as typed there.
    agreed = limits_of_agreement(WRIGHT, MINI, multiplier=1.96)
    assert (agreed.lower, agreed.upper) == pytest.approx((-78.097, 73.862), abs=0.0005)
    exact = limits_of_agreement(WRIGHT, MINI)
    assert exact.multiplier == pytest.approx(1.959964)


def test_one_sided_factor_of_the_nist_handbook() -> None:
    # NIST/SEMATECH e-Handbook 7.2.6.3: n = 43, 90 % of the population, 99 %
    # confidence, by the noncentral t: 1.8740.
    _, high = quantile_factors(43, float(sps.norm.ppf(0.90)), 0.98)
    assert high == pytest.approx(1.8740, abs=0.00005)
    # Natrella MG (1963), NBS Handbook 91, table A-7: n = 10, 95 %, 95 %: 2.911.
    _, high = quantile_factors(10, float(sps.norm.ppf(0.95)), 0.90)
    assert high == pytest.approx(2.911, abs=0.0005)


def test_exact_interval_by_another_route() -> None:
    # scipy's noncentral t distribution function, inverted by bisection.
    agreed = limits_of_agreement(WRIGHT, MINI)
    n, z = 17, agreed.multiplier
    for end, tail in zip(agreed.upper_interval, (0.025, 0.975), strict=True):
        standardized = (end - agreed.bias) / agreed.sd * np.sqrt(n)
        assert sps.nct.cdf(standardized, n - 1, z * np.sqrt(n)) == pytest.approx(tail)


def test_exact_intervals_hold_the_true_limit_as_often_as_they_say() -> None:
    rng = np.random.default_rng(20260)
    for n in (3, 6):
        draws = rng.normal(0, 1, (20_000, n))
        mean, sd = draws.mean(axis=1), draws.std(axis=1, ddof=1)
        low, high = quantile_factors(n, 1.96, 0.95)
        held = (mean + low * sd <= 1.96) & (mean + high * sd >= 1.96)
        assert held.mean() == pytest.approx(0.95, abs=0.005)


def test_swapping_the_instruments_turns_everything_around() -> None:
    one, two = limits_of_agreement(WRIGHT, MINI), limits_of_agreement(MINI, WRIGHT)
    assert two.bias == -one.bias
    assert two.lower == pytest.approx(-one.upper)
    assert two.lower_interval == pytest.approx(
        tuple(-np.array(one.upper_interval))[::-1]
    )
    shifted = limits_of_agreement(WRIGHT + 7, MINI)
    assert shifted.bias == pytest.approx(one.bias + 7)
    assert shifted.sd == pytest.approx(one.sd)


def test_groups_of_one_reading_are_no_groups() -> None:
    plain = limits_of_agreement(WRIGHT, MINI)
    grouped = limits_of_agreement(WRIGHT, MINI, np.arange(17)[::-1])
    assert grouped.lower_interval == pytest.approx(plain.lower_interval)
    assert grouped.n_groups == grouped.n_readings == 17


def test_several_readings_follow_the_analysis_of_variance() -> None:
    # Balanced one-way analysis of variance by statsmodels: variance of a single
    # difference = MSW + (MSB - MSW)/m (Bland & Altman 2007).
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    group = np.repeat(np.arange(6), 4)
    difference = rng.normal(0, 3, 6)[group] + rng.normal(0, 2, 24)
    fitted = sm.OLS(difference, np.eye(6)[group]).fit()
    within = fitted.ssr / fitted.df_resid
    between = fitted.ess / 5
    agreed = limits_of_agreement(difference, np.zeros(24), group)
    assert agreed.sd_within**2 == pytest.approx(within)
    assert agreed.sd_between**2 == pytest.approx((between - within) / 4)
    assert agreed.sd**2 == pytest.approx(within + (between - within) / 4)
    assert agreed.bias == pytest.approx(difference.mean())
    assert agreed.lower_interval.low < agreed.lower < agreed.lower_interval.high


def test_mover_interval_by_hand() -> None:
    # Zou (2013), equations for unequal group sizes, written out with scipy.stats.
    difference = np.array([1.0, 2, 4, 4, 5, 9, 3, 2, 2.5])
    group = np.array([0, 0, 0, 1, 1, 1, 1, 2, 2])
    agreed = limits_of_agreement(difference, np.zeros(9), group)
    means = np.array([difference[group == g].mean() for g in range(3)])
    harmonic = 3 / (1 / 3 + 1 / 4 + 1 / 2)
    within = sum(((difference[group == g] - means[g]) ** 2).sum() for g in range(3)) / 6
    parts = ((means.var(ddof=1), 2), ((1 - 1 / harmonic) * within, 6))
    total = sum(part for part, _ in parts)
    up = sum((part * (df / sps.chi2.ppf(0.025, df) - 1)) ** 2 for part, df in parts)
    down = sum((part * (1 - df / sps.chi2.ppf(0.975, df))) ** 2 for part, df in parts)
    half = sps.t.ppf(0.975, 2) * means.std(ddof=1) / np.sqrt(3)
    far = 1.959964 * (np.sqrt(total + np.sqrt(up)) - np.sqrt(total))
    near = 1.959964 * (np.sqrt(total) - np.sqrt(max(total - np.sqrt(down), 0)))
    upper = means.mean() + 1.959964 * np.sqrt(total)
    expected = (upper - np.hypot(half, near), upper + np.hypot(half, far))
    assert agreed.upper == pytest.approx(upper, rel=1e-6)
    assert agreed.upper_interval == pytest.approx(expected, rel=1e-6)


def test_readings_that_follow_each_other_leave_the_sd_right() -> None:
    # Within a bake readings wander; ignoring that, the variance within would be too
    # small, but what it lacks turns up between the groups.
    rng = np.random.default_rng(8)
    group = np.repeat(np.arange(8), 30)
    variances = []
    for _ in range(300):
        wander = np.zeros((8, 30))
        wander[:, 0] = rng.normal(0, 2, 8)
        for k in range(1, 30):
            wander[:, k] = 0.9 * wander[:, k - 1] + rng.normal(
                0, 2 * np.sqrt(1 - 0.81), 8
            )
        difference = (rng.normal(0, 3, (8, 1)) + wander).ravel()
        agreed = limits_of_agreement(difference, np.zeros(240), group)
        variances.append(agreed.sd**2)
    assert np.mean(variances) == pytest.approx(9 + 4, rel=0.06)


def test_one_reading_and_one_group_give_the_bias_alone() -> None:
    one = limits_of_agreement([350.0], [360.0])
    assert one.bias == -10
    assert np.isnan([one.sd, one.lower, *one.bias_interval, *one.lower_interval]).all()
    bake = limits_of_agreement([350.0, 352], [360.0, 359], ["A", "A"])
    assert bake.bias == pytest.approx(-8.5)
    assert np.isnan([bake.sd, bake.upper, *bake.bias_interval]).all()
    assert bake.sd_within == pytest.approx(2.1213, abs=1e-4)


def test_equal_differences_have_no_spread() -> None:
    same = limits_of_agreement([1.0, 2, 3], [0.0, 1, 2])
    assert same.sd == 0
    assert same.lower == same.upper == 1


def test_pairs_that_are_not_there_are_left_out() -> None:
    agreed = limits_of_agreement([1.0, np.nan, 3, 4], [0.0, 1, np.nan, 2])
    assert agreed.n_readings == 2
    with pytest.raises(ValueError, match="No pair"):
        limits_of_agreement([np.nan], [1.0])


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (([1.0, 2], [1.0]), "same number"),
        (([1.0, 2], [1.0, 2], [0]), "one entry for each pair"),
    ],
)
def test_impossible_input_is_refused(arguments: tuple[object, ...], text: str) -> None:
    with pytest.raises(ValueError, match=text):
        limits_of_agreement(*arguments)  # type: ignore[arg-type]


@pytest.mark.parametrize("level", [0, 1, 1.5])
def test_impossible_levels_are_refused(level: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        limits_of_agreement([1.0, 2], [1.0, 3], conf_level=level)


@pytest.mark.slow
def test_intervals_of_limits_with_few_bakes_hold() -> None:
    # Six bakes of 20 readings: 95 % intervals of single-reading limits.
    rng = np.random.default_rng(77)
    group = np.repeat(np.arange(6), 20)
    truth = 1.959964 * np.sqrt(9 + 4)
    held = []
    for _ in range(3000):
        difference = rng.normal(0, 3, 6)[group] + rng.normal(0, 2, 120)
        agreed = limits_of_agreement(difference, np.zeros(120), group)
        held.append(agreed.upper_interval.low <= truth <= agreed.upper_interval.high)
    assert 0.935 < np.mean(held) < 0.975
