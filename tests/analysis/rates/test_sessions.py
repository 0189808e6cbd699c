"""Sessions in the answer that leads."""

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.analysis.rates.posterior import bake_posterior


def counted(sessions: list[str], *, pits: int = 2, items: int = 18) -> pd.DataFrame:
    """Bakes of two pits in turn, with strong days."""
    burned = [2, 8, 6, 13, 1, 7, 5, 12][: len(sessions)]
    return pd.DataFrame(
        {
            "bake": [f"b{i}" for i in range(len(sessions))],
            "pit": [f"P{i % pits}" for i in range(len(sessions))],
            "session": sessions,
            "n_items": items,
            "n_burned": burned,
        }
    )


SHARED = ["d1", "d1", "d2", "d2", "d3", "d3", "d4", "d4"]


class TestSessionsLead:
    def test_shared_days_are_in_the_model_and_help(self) -> None:
        with_days = bake_posterior(counted(SHARED), 0.95)
        without = bake_posterior(counted([str(i) for i in range(8)]), 0.95)
        assert (with_days.sessions, without.sessions) == (4, 0)
        widths = [
            found.result.differences.high[0] - found.result.differences.low[0]
            for found in (with_days, without)
        ]
        assert widths[0] < widths[1]
        assert (with_days.effective_items > 0).all()

    def test_days_that_do_nothing_leave_the_exact_answer(self) -> None:
        # Twelve days without any day effect: the session SD is learned to be small.
        rng = np.random.default_rng(8)
        bakes = pd.DataFrame(
            {
                "pit": ["A", "B"] * 12,
                "session": np.repeat([f"d{i}" for i in range(12)], 2),
                "n_items": 30,
                "n_burned": np.column_stack(
                    [rng.binomial(30, 0.25, 12), rng.binomial(30, 0.4, 12)]
                ).ravel(),
            }
        )
        with_days = bake_posterior(bakes, 0.95).result
        exact = bake_posterior(bakes.drop(columns="session"), 0.95).result
        for name in ("estimate", "low", "high"):
            np.testing.assert_allclose(
                getattr(with_days.differences, name),
                getattr(exact.differences, name),
                atol=0.02,
            )

    @pytest.mark.parametrize(
        "sessions", [["d1"] * 8, ["d1", "d1", *"abcdef"], [None] * 8]
    )
    def test_otherwise_exact(self, sessions: list[str]) -> None:
        assert bake_posterior(counted(sessions), 0.95).sessions == 0

    def test_the_comparison_says_so_in_a_field(self) -> None:
        study = ps.demo_study("unfair_order")
        bakes = study.bakes.assign(
            session=study.bakes.groupby("pit").cumcount().map("day {}".format)
        )
        shared = ps.Study(**{**study.tables, "bakes": bakes}, settings=study.settings)
        comparison = ps.compare_pits(shared)
        rates = ps.estimate_burn_rates(shared)
        assert comparison.sessions >= 2
        assert rates.sessions == comparison.sessions
        assert "between-session" in comparison.method
        assert comparison.layout == "as baked"
        pd.testing.assert_frame_equal(comparison.rates, rates.table)


def test_draws_behind_a_comparison_are_its_rates() -> None:
    posterior = bake_posterior(counted(SHARED), 0.95)
    drawn = posterior.rate_draws(100, np.random.default_rng(1))
    np.testing.assert_allclose(
        drawn.weights @ drawn.rates, posterior.result.rates.estimate
    )
    assert drawn.bake_sd.shape == drawn.rates.shape
    assert drawn.session_sd.max() > 0
    even = posterior.fixed_draws()
    assert even.shape == (16_384, 2)
    np.testing.assert_allclose(
        even.mean(axis=0), posterior.result.rates.estimate, atol=0.002
    )
