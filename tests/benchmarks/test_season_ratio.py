"""Growth of a season's cost with its bakes, as ratios within one run.

``season_growth.json`` keeps the times up to 10,000 bakes; its command is
``python -m tests.benchmarks.season_growth``.
"""

import json
import math
from pathlib import Path

import pytest

import pitstats as ps
from tests.benchmarks.season_growth import RESULT, make_studies, timed

#: Allowed over n log n: times of one run differ by themselves.
SLACK = 1.5


def allowed(few: int, many: int) -> float:
    """Ratio of n log n."""
    return SLACK * many * math.log(many) / (few * math.log(few))


@pytest.mark.benchmark_ratio
def test_from_100_to_1000_bakes_time_grows_at_most_by_n_log_n(tmp_path: Path) -> None:
    seconds = {}
    for bakes in (100, 1000):
        folder = tmp_path / str(bakes)
        make_studies(folder, range(bakes // 20))
        ps.estimate_season(ps.read_season(folder, n_jobs=1))
        found = [timed(lambda f=folder: ps.read_season(f))]
        read = ps.read_season(folder)
        found.append(timed(lambda r=read: ps.estimate_season(r)))
        (folder / ".pitstats-season").rename(folder / "kept before")
        found.append(timed(lambda f=folder: ps.read_season(f, n_jobs=1)))
        seconds[bakes] = [each["processor"] for each in found]
    for few, many in zip(seconds[100], seconds[1000], strict=True):
        assert many < max(few, 0.02) * allowed(100, 1000)


def test_the_kept_growth_is_within_its_bounds() -> None:
    kept = json.loads(RESULT.read_text())
    assert [each["bakes"] for each in kept] == [100, 1000, 10_000]
    few, last = kept[0], kept[-1]
    for name in ("read", "estimate", "page"):
        ratio = last[name]["processor"] / few[name]["processor"]
        assert ratio < allowed(few["bakes"], last["bakes"])
    analyzed = last["estimate"]["processor"] + last["page"]["processor"]
    assert last["read"]["processor"] / 2 + analyzed < 60
    assert last["one_added"]["processor"] < 2
    assert last["peak_mb"] < 2000
