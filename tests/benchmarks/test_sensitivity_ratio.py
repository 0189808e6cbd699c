"""All alternatives that are counted, against the comparison that they question."""

import time
from collections.abc import Callable

import pytest

import pitstats as ps
from pitstats.analysis.rates import posterior

pytestmark = pytest.mark.benchmark_ratio


def seconds(call: Callable[[], object]) -> float:
    """Shortest of five, each from nothing."""
    times = []
    for _ in range(5):
        posterior._exact.cache_clear()
        posterior._with_sessions.cache_clear()
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return min(times)


def test_an_alternative_costs_a_fifth_of_a_comparison_at_most() -> None:
    """A comparison both ways is several posteriors, most alternatives are one."""
    study = ps.demo_study("four_pits")
    both = ps.compare_both_ways(study)
    found = ps.check_sensitivity(study, both=both, refit=False)
    tried = found.members.drop_duplicates(["family", "alternative"])
    one = seconds(lambda: ps.compare_both_ways(study))
    all_of = seconds(lambda: ps.check_sensitivity(study, both=both, refit=False))
    print(f"comparison {one:.3f} s, {len(tried)} alternatives {all_of:.3f} s")
    assert all_of / len(tried) <= one / 5
