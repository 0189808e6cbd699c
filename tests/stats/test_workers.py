"""How many processes work is divided among."""

import pytest
from joblib import cpu_count, parallel_config

from pitstats.stats.workers import workers


def test_long_work_takes_all_cores_and_short_work_one():
    assert workers(None, pieces=10**6) == cpu_count()
    assert workers(None, pieces=1) == 1
    assert workers(None, pieces=10**6, long=False) == 1


def test_what_was_asked_for_is_what_is_taken():
    assert workers(3, pieces=2, long=False) == 3


@pytest.mark.parametrize(
    "asked", [{"n_jobs": 2}, {"backend": "threading"}, {"backend": "loky", "n_jobs": 3}]
)
def test_a_configured_number_of_workers_is_left_alone(asked):
    with parallel_config(**asked):
        assert workers(None, pieces=10**6) is None
