"""The layers, the public names and the lightness of the package."""

import subprocess
import sys

import pitstats as ps

HEAVY = (
    "scipy.stats",
    "statsmodels",
    "seaborn",
    "matplotlib",
    "papermill",
    "nbconvert",
    "pandera",
    "openpyxl",
    "IPython",
)


def test_every_public_name_resolves() -> None:
    for name in ps.__all__:
        assert getattr(ps, name) is not None
    for name in ps.stats.__all__:
        assert callable(getattr(ps.stats, name)), name


def test_contract_names_are_public() -> None:
    expected = {
        "read_study",
        "check_study",
        "write_study",
        "demo_study",
        "demo_names",
        "estimate_burn_rates",
        "compare_pits",
        "audit_fairness",
        "simulate_study",
        "render_report",
        "InvalidStudyError",
        "stats",
    }
    assert expected <= set(ps.__all__)


def test_importing_the_package_leaves_heavy_parts_alone() -> None:
    script = f"import sys, pitstats; print([m for m in {HEAVY!r} if m in sys.modules])"
    run = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == "[]"


def test_importing_the_report_and_the_command_line_loads_nothing_that_draws() -> None:
    modules = "pitstats.cli, pitstats.report.pages, pitstats.report.render"
    script = (
        f"import sys, {modules}; print({{'matplotlib', 'seaborn'}} & set(sys.modules))"
    )
    run = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert run.stdout.strip() == "set()"
