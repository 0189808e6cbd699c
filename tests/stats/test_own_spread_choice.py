"""The kept choice of the prior of own spreads follows the rule beside it."""

import json
from pathlib import Path

import pytest

from pitstats.stats.spread_prior import OWN
from tests.calibration.own_spread import (
    ALL,
    CANDIDATES,
    KEPT,
    all_cells,
    choose,
    judge,
)

RESULT = json.loads(Path(KEPT).read_text("utf-8"))


def test_every_cell_and_every_candidate_is_kept():
    assert [e["cell"]["name"] for e in RESULT["cells"]] == [c.name for c in all_cells()]
    assert len(RESULT["cells"]) >= 60
    for entry in RESULT["cells"]:
        assert entry["sets"] == 2_000
        assert set(entry["found"]) == set(ALL)


def test_what_is_shipped_is_what_the_rule_takes():
    rows = judge(RESULT)
    assert rows == RESULT["summary"]
    assert choose(rows) == RESULT["chosen"]
    assert CANDIDATES[RESULT["chosen"]] == OWN


def test_own_spreads_mend_what_one_spread_breaks():
    """Fewer false differences where the moody pit has fewer bakes; two pits gain power.

    No candidate meets every clause: the shipped one covers 0.90 with 2 and 8 bakes and
    SDs of 1.2 and 0.2, and loses power where fires do not differ at all.
    """
    name = RESULT["chosen"]
    for entry in RESULT["cells"]:
        common, own = entry["found"]["common"], entry["found"][name]
        if entry["cell"]["kind"] == "unlike" and "any_separated" in own:
            assert own["any_separated"] <= max(common["any_separated"] + 0.01, 0.05)
            assert own["any_separated"] <= 0.105
    row = RESULT["summary"][name]
    assert row["power_gain"] > 0.01
    assert row["coverage_shortfall"] == pytest.approx(0.02, abs=1e-9)
    assert not any(r["qualifies"] for r in RESULT["summary"].values())
