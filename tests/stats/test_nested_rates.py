"""Rates over bakes in sessions in studies: nested Laplace against other routes."""

from typing import Literal

import numpy as np
import pytest

from pitstats.stats import bake_rates, fit_mixed_logistic, model_rates, nested_rates
from pitstats.stats.marginal import marginal_intercept, marginal_rate


def season(
    rng: np.random.Generator,
    *,
    studies: int,
    sessions: int,
    rates: tuple[float, ...],
    sds: tuple[float, float, float],
    items: int = 20,
) -> tuple[np.ndarray, ...]:
    """Burned, total, pit, session, study: one bake of every pit in every session."""
    shape = (studies, sessions, len(rates))
    study, session, pit = (axis.ravel() for axis in np.indices(shape))
    bake, between, day = sds
    level = marginal_intercept(np.array(rates), float(np.sqrt(np.square(sds).sum())))
    eta = (
        level[pit]
        + rng.normal(0, day, studies)[study]
        + rng.normal(0, between, shape[:2])[study, session]
        + rng.normal(0, bake, pit.size)
    )
    burned = rng.binomial(items, 1 / (1 + np.exp(-eta)))
    return burned, np.full(pit.size, items), pit, session, study


@pytest.mark.parametrize("spread", ["own", "common"])
def test_without_sessions_and_studies_it_is_the_exact_grid(
    spread: Literal["own", "common"],
) -> None:
    # The exact posterior shares no code with the Laplace route; both have levels that
    # are Beta(1/2, 1/2), here of an average bake and there of the long run.
    rng = np.random.default_rng(5)
    pit = np.repeat([0, 1], 60)
    sd = np.array([0.6, 0.6 if spread == "common" else 1.2])[pit]
    eta = np.array([-1.5, -0.4])[pit] + rng.normal(0, 1, pit.size) * sd
    burned = rng.binomial(18, 1 / (1 + np.exp(-eta)))
    total, alone = np.full(pit.size, 18), np.arange(pit.size)
    exact = bake_rates(burned, total, pit, spread=spread)
    found = nested_rates(burned, total, pit, alone, np.zeros(pit.size), spread=spread)
    for k, rate in enumerate(found.rates):
        assert rate.estimate == pytest.approx(exact.rates.estimate[k], abs=0.002)
        assert rate.low == pytest.approx(exact.rates.low[k], abs=0.003)
        assert rate.high == pytest.approx(exact.rates.high[k], abs=0.003)
        own = found.bake_sds[k]
        assert own.estimate == pytest.approx(exact.bake_sd.estimate[k], abs=0.03)
        assert own.low == pytest.approx(exact.bake_sd.low[k], abs=0.04)
        assert own.high == pytest.approx(exact.bake_sd.high[k], abs=0.04)
    assert found.differences.low[0] == pytest.approx(
        exact.differences.low[0], abs=0.004
    )
    assert found.sds["session"] is None
    assert found.sds["study"] is None


@pytest.mark.parametrize("spread", ["own", "common"])
def test_with_one_block_it_agrees_with_weighted_draws(
    spread: Literal["own", "common"],
) -> None:
    rng = np.random.default_rng(2)
    burned, total, pit, session, study = season(
        rng, studies=30, sessions=1, rates=(0.15, 0.3), sds=(0.4, 0.0, 0.6)
    )
    draws = model_rates(
        burned, total, pit, np.arange(pit.size), session=study, spread=spread
    )
    found = nested_rates(burned, total, pit, session, study, spread=spread)
    for k, rate in enumerate(found.rates):
        assert rate.estimate == pytest.approx(draws.rates.estimate[k], abs=0.006)
        assert rate.low == pytest.approx(draws.rates.low[k], abs=0.01)
        assert rate.high == pytest.approx(draws.rates.high[k], abs=0.01)
    assert found.differences.high[0] == pytest.approx(
        draws.differences.high[0], abs=0.01
    )


def test_the_level_of_a_large_season_is_that_of_maximum_likelihood() -> None:
    rng = np.random.default_rng(3)
    burned, total, pit, session, study = season(
        rng, studies=120, sessions=1, rates=(0.2, 0.35), sds=(0.0, 0.0, 0.7), items=24
    )
    X = np.column_stack([pit == 0, pit == 1]).astype(float)
    fit = fit_mixed_logistic(burned, total, X, study, n_nodes=1)
    found = nested_rates(burned, total, pit, session, study)
    sd = found.sds["study"]
    assert sd is not None
    assert sd.estimate == pytest.approx(fit.group_sd, abs=0.03)
    expected = marginal_rate(fit.coef, fit.group_sd)
    assert [r.estimate for r in found.rates] == pytest.approx(
        expected.tolist(), abs=0.01
    )


def test_the_order_of_bakes_and_the_names_of_groups_do_not_matter() -> None:
    rng = np.random.default_rng(7)
    data = season(
        rng, studies=5, sessions=3, rates=(0.2, 0.4, 0.3), sds=(0.4, 0.3, 0.5)
    )
    order = rng.permutation(data[0].size)
    burned, total, pit, session, study = (column[order] for column in data)
    first = nested_rates(*data)
    second = nested_rates(
        burned, total, pit, [f"s{k}" for k in session], [f"day {k}" for k in study]
    )
    assert np.allclose(first.rates, second.rates, atol=2e-3)
    assert np.allclose(first.differences.low, second.differences.low, atol=2e-3)


def test_exchanging_two_pits_turns_their_difference_round() -> None:
    rng = np.random.default_rng(8)
    burned, total, pit, session, study = season(
        rng, studies=8, sessions=2, rates=(0.2, 0.4), sds=(0.4, 0.3, 0.5)
    )
    one = nested_rates(burned, total, pit, session, study).differences
    two = nested_rates(burned, total, 1 - pit, session, study).differences
    assert one.estimate[0] == pytest.approx(-two.estimate[0], abs=0.006)
    assert one.low[0] == pytest.approx(-two.high[0], abs=0.012)


@pytest.mark.parametrize("burned", [0, 16])
def test_nothing_or_everything_burned(burned: int) -> None:
    n = 12
    found = nested_rates(
        [burned] * n, [16] * n, [0, 1] * (n // 2), np.arange(n) // 2, np.arange(n) // 4
    )
    for rate in found.rates:
        assert rate.low == 0.0 if burned == 0 else rate.high == 1.0
        assert np.isfinite(rate).all()
        assert abs(rate.estimate - burned / 16) < 0.2


def test_levels_that_the_design_has_not_are_left_out() -> None:
    found = nested_rates([3, 5, 2, 8], [16] * 4, [0, 1, 0, 1], [0, 0, 1, 1], [0] * 4)
    assert found.sds["study"] is None
    assert found.sds["session"] is not None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"session": [0]}, "one entry per bake"),
        ({"total": [0, 0]}, "graded item"),
        ({"burned": [9, 1]}, "burned"),
        ({"conf_level": 1.0}, "conf_level"),
    ],
)
def test_errors_say_what_to_change(change: dict[str, object], words: str) -> None:
    given: dict[str, object] = {
        "burned": [0, 0],
        "total": [8, 8],
        "pit": [0, 1],
        "session": [0, 0],
        "study": [0, 0],
    }
    with pytest.raises(ValueError, match=words):
        nested_rates(**{**given, **change})  # type: ignore[arg-type]


def test_a_moody_pit_keeps_its_spread_and_a_wider_interval() -> None:
    rng = np.random.default_rng(17)
    burned, total, pit, sessions, study = season(
        rng, studies=20, sessions=2, rates=(0.3, 0.3), sds=(0.2, 0.2, 0.3)
    )
    wild = rng.binomial(20, 1 / (1 + np.exp(1 - rng.normal(0, 1.4, pit.size))))
    burned = np.where(pit == 0, wild, burned)
    own = nested_rates(burned, total, pit, sessions, study)
    one = nested_rates(burned, total, pit, sessions, study, spread="common")
    assert own.bake_sds[0].low > own.bake_sds[1].high
    assert one.bake_sds[0] == one.bake_sds[1] == one.sds["bake"]
    widths = [[rate.high - rate.low for rate in found.rates] for found in (own, one)]
    assert widths[0][0] > widths[1][0]
    assert widths[0][1] < widths[1][1]


@pytest.mark.slow
def test_intervals_cover_in_a_simulated_season() -> None:
    rng = np.random.default_rng(11)
    rates, hits = (0.15, 0.3, 0.4), []
    for _ in range(150):
        data = season(
            rng, studies=10, sessions=2, rates=rates, sds=(0.4, 0.3, 0.5), items=16
        )
        found = nested_rates(*data)
        hits.append(
            [
                *(
                    r.low <= t <= r.high
                    for r, t in zip(found.rates, rates, strict=True)
                ),
                found.differences.low[0] <= -0.15 <= found.differences.high[0],
            ]
        )
    # Error of a coverage of 0.95 from 150 sets: 0.018.
    assert (np.mean(hits, axis=0) > 0.90).all()
