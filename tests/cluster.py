"""A small Dask cluster that joblib works on while a test runs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from joblib import parallel_config


@contextmanager
def on_a_dask_cluster() -> Iterator[None]:
    """Two processes of one thread; skips the test where Dask is missing."""
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            dashboard_address=None,
            processes=True,
            silence_logs=50,
        ) as cluster,
        distributed.Client(cluster),
        parallel_config(backend="dask"),
    ):
        yield
