"""Posteriors whose SDs very many bakes pin down."""

import numpy as np
import pytest
from scipy.special import expit

from pitstats import stats
from pitstats.stats import importance_sampling

N_BAKES = 1600
PIT = np.arange(N_BAKES) % 2
N_ITEMS = np.full(N_BAKES, 16)
SPREADS = {"none": 0.0, "some": 0.6, "near the cap": 2.4}


def drawn(sd, n_bakes=N_BAKES, seed=3, sessions=0.0):
    rng = np.random.default_rng(seed)
    away = sd * rng.normal(size=n_bakes)
    away += sessions * np.repeat(rng.normal(size=n_bakes // 2), 2)
    return rng.binomial(16, expit(-1.0 + away))


@pytest.mark.parametrize("sd", SPREADS.values(), ids=SPREADS.keys())
@pytest.mark.parametrize("spread", ["own", "common"])
def test_rates_of_very_many_bakes_are_those_of_the_exact_posterior(sd, spread):
    burned = drawn(sd)
    found = stats.model_rates(burned, N_ITEMS, PIT, np.arange(N_BAKES), spread=spread)
    exact = stats.bake_rates(burned, N_ITEMS, PIT, spread=spread)
    for name in ("estimate", "low", "high"):
        # Draws scatter by a thirtieth of a posterior SD, which is 0.006 here.
        assert getattr(found.rates, name) == pytest.approx(
            getattr(exact.rates, name), abs=0.001
        )
        # The exact posterior of a spread stands on a grid with steps of 0.0125.
        assert getattr(found.bake_sd, name) == pytest.approx(
            getattr(exact.bake_sd, name), abs=0.0125
        )
    assert found.ess > 800
    assert found.diagnostics.n_draws == 2048


def test_session_effects_of_many_bakes_agree_with_modes_at_fixed_spreads(monkeypatch):
    n = 300
    entries = (drawn(0.6, n, sessions=0.5), N_ITEMS[:n], PIT[:n], np.arange(n))
    sessions = np.arange(n) // 2
    fixed = stats.model_rates(*entries, session=sessions, n_draws=2048)
    monkeypatch.setattr(importance_sampling, "MANY_BAKES", 100)
    about = stats.model_rates(*entries, session=sessions, n_draws=2048)
    assert about.ess > fixed.ess
    # Of the posterior SDs (0.012, 0.1, 0.1) a tenth or less.
    assert about.rates.estimate == pytest.approx(fixed.rates.estimate, abs=0.001)
    assert about.bake_sd.estimate == pytest.approx(fixed.bake_sd.estimate, abs=0.01)
    assert about.session_sd.estimate == pytest.approx(
        fixed.session_sd.estimate, abs=0.01
    )


def test_spread_of_bakes_alike_is_shown_from_0():
    found = stats.model_rates(drawn(0.0), N_ITEMS, PIT, np.arange(N_BAKES))
    assert found.bake_sd.low.tolist() == [0, 0]
    assert found.bake_sd.high.max() < 0.25


@pytest.mark.parametrize("n_bakes", [360, N_BAKES])
def test_long_records_of_all_or_none_have_rates(n_bakes):
    rng = np.random.default_rng(1)
    all_burned = rng.random(n_bakes) < 0.3
    sizes = np.full(n_bakes, 100)
    found = stats.model_rates(
        all_burned * sizes, sizes, PIT[:n_bakes], np.arange(n_bakes), n_draws=512
    )
    exact = stats.bake_rates(all_burned * sizes, sizes, PIT[:n_bakes])
    assert found.cap_mass > 0.99
    assert found.rates.estimate == pytest.approx(exact.rates.estimate, abs=0.003)


def test_nothing_burned_in_very_many_bakes_says_little_of_their_spread():
    none = np.zeros(N_BAKES, dtype=int)
    found = stats.model_rates(none, N_ITEMS, PIT, np.arange(N_BAKES))
    exact = stats.bake_rates(none, N_ITEMS, PIT)
    assert found.rates.high == pytest.approx(exact.rates.high, abs=2e-5)
    assert found.bake_sd.estimate == pytest.approx(exact.bake_sd.estimate, abs=0.1)
