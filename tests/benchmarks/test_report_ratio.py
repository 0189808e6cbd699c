"""A whole report against an empty notebook sent through the same programs."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.benchmark_ratio

EMPTY = """
import nbformat, papermill, sys
from nbconvert import HTMLExporter
notebook = nbformat.v4.new_notebook(
    cells=[nbformat.v4.new_code_cell("x = 1")],
    metadata={
        "kernelspec": {"name": "python3", "display_name": "p", "language": "python"}
    },
)
nbformat.write(notebook, sys.argv[1])
papermill.execute_notebook(sys.argv[1], sys.argv[2], progress_bar=False)
body, _ = HTMLExporter(template_name="basic").from_filename(sys.argv[2])
"""


# Modules are kept compiled, as after an installation; the first turn compiles them.
ENVIRONMENT = {
    name: value
    for name, value in os.environ.items()
    if name != "PYTHONDONTWRITEBYTECODE"
}


def seconds(command: list[str]) -> float:
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True, env=ENVIRONMENT)
    return time.perf_counter() - start


def test_report_costs_little_more_than_an_empty_notebook(tmp_path: Path) -> None:
    empty_times, import_times, report_times = [], [], []
    for turn in range(4):
        ends = [str(tmp_path / f"{name}{turn}.ipynb") for name in ("empty", "done")]
        empty_times.append(seconds([sys.executable, "-c", EMPTY, *ends]))
        imports = "import seaborn, statsmodels.api"
        import_times.append(seconds([sys.executable, "-c", imports]))
        report_times.append(
            seconds(
                [
                    *(sys.executable, "-m", "pitstats", "report"),
                    str(Path("data/four_pits").resolve()),
                    *("--out", str(tmp_path / f"out{turn}")),
                ]
            )
        )
    empty, imports, report = min(empty_times), min(import_times), min(report_times)
    print(f"empty {empty:.2f} s, imports {imports:.2f} s, report {report:.2f} s")
    assert report <= 2 * empty + imports
