"""Every test of the report reads the sentences about results as it goes."""

from collections.abc import Iterator

import pytest

from pitstats.report.wording import guard


@pytest.fixture(autouse=True)
def closed_gate() -> Iterator[None]:
    with guard.strict():
        yield
