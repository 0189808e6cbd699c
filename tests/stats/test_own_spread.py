"""Rates whose pits have spreads of their own, held to two brute-force routes."""

import json
from pathlib import Path

import numpy as np
import pytest

from pitstats.stats.bake_model import bake_rates
from pitstats.stats.spread_prior import OWN

FOLDER = Path(__file__).parents[1] / "reference"


def cases(name):
    """Check values of one file, each with a name of its own."""
    kept = json.loads((FOLDER / name).read_text("utf-8"))["cases"]
    return [
        pytest.param(case, id=f"{case['id']}, {case['rho']:.2f}, {case['margin']}")
        for case in kept
    ]


def analyzed(case):
    """What the package says about a case."""
    sizes = [len(total) for total in case["total"]]
    return bake_rates(
        np.concatenate(case["burned"]),
        np.concatenate(case["total"]),
        np.repeat(np.arange(len(sizes)), sizes),
        rho=case["rho"],
        margin=case["margin"],
    )


def assert_same(case, found, abs_):
    """Means and ends of rates and differences; plain quantiles in the files."""
    rates = np.array(case["rates"])
    assert found.rates.estimate == pytest.approx(rates[:, 0], abs=abs_)
    burned = [
        (sum(y), sum(n)) for y, n in zip(case["burned"], case["total"], strict=True)
    ]
    for k, (y, n) in enumerate(burned):
        low = 0.0 if y == 0 else rates[k, 1]
        high = 1.0 if y == n else rates[k, 2]
        assert found.rates.low[k] == pytest.approx(low, abs=abs_)
        assert found.rates.high[k] == pytest.approx(high, abs=abs_)
    for k, (a, b, mean, low, high) in enumerate(case["differences"]):
        pair = found.differences
        assert (pair.a[k], pair.b[k]) == (a, b)
        got = (pair.estimate[k], pair.low[k], pair.high[k])
        assert got == pytest.approx((mean, low, high), abs=abs_)


@pytest.mark.parametrize("case", cases("l_own_spread.json"))
def test_every_candidate_against_brute_force_over_rates(case):
    assert_same(case, analyzed(case), 0.001)


@pytest.mark.parametrize("case", cases("own_spread.json"))
def test_against_brute_force_over_logits(case):
    found = analyzed(case)
    assert_same(case, found, 0.001)
    spreads = np.array(case["spreads"])
    assert found.bake_sd.estimate == pytest.approx(spreads[:, 0], abs=0.002)
    assert found.bake_sd.high == pytest.approx(spreads[:, 2], abs=0.003)
    shown = found.bake_sd.low > 0  # shown as 0 where the density does not fall there
    assert found.bake_sd.low[shown] == pytest.approx(spreads[shown, 1], abs=0.003)
    assert np.all(spreads[~shown, 1] < 0.15)


def test_check_values_hold_the_shipped_prior():
    kept = json.loads((FOLDER / "own_spread.json").read_text("utf-8"))["cases"]
    shipped = [c for c in kept if (c["rho"], c["margin"]) == (OWN.rho, OWN.margin)]
    assert len(shipped) >= 6
    found = [analyzed(case).bake_sd.low > 0 for case in shipped]
    assert np.concatenate(found).sum() >= 2
