"""`import pitstats` stays light: heavy parts load where they are used."""

import subprocess
import sys
import time

import pytest

pytestmark = pytest.mark.benchmark_ratio


def seconds(statement: str, repeats: int = 7) -> float:
    """Smallest time of a fresh interpreter, less the bare start of Python."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", statement], check=True)
        times.append(time.perf_counter() - start)
    return min(times)


def test_import_is_at_most_twice_the_import_of_pandas() -> None:
    bare = seconds("pass")
    pandas = seconds("import pandas") - bare
    ours = seconds("import pitstats") - bare
    print(f"import pitstats / import pandas = {ours / pandas:.2f}")
    assert ours <= 2 * pandas


def test_using_the_study_and_the_rates_is_at_most_twice_the_import_of_pandas() -> None:
    bare = seconds("pass")
    pandas = seconds("import pandas") - bare
    ours = seconds("import pitstats; pitstats.Study; pitstats.demo_names") - bare
    print(f"study layer / import pandas = {ours / pandas:.2f}")
    assert ours <= 2 * pandas
