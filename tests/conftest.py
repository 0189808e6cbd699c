"""Small fixed things that many tests share."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from syrupy.assertion import SnapshotAssertion
from syrupy.extensions.amber import AmberSnapshotExtension

from pitstats.study import Settings, Study

TESTS = Path(__file__).parent

# For the processes that share the cores of a run, and for the commands they start: each
# would start threads of its own for every product of small matrices.
os.environ.setdefault("OMP_NUM_THREADS", "1")
# As after an installation, modules are kept compiled: a report or a command would
# spend more on compiling them than on its work.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False


class _KeptTexts(AmberSnapshotExtension):
    """Snapshots in tests/snapshots, one file per test module."""

    @classmethod
    def dirname(cls, *, test_location: object) -> str:
        return str(TESTS / "snapshots")


@pytest.fixture
def snapshot(snapshot: SnapshotAssertion) -> SnapshotAssertion:
    return snapshot.use_extension(_KeptTexts)


_PROGRAMS = {
    "chromium": ("chromium", "pdftoppm", "pdftotext"),
    "libreoffice": ("soffice",),
    "node": ("node",),
}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests that drive another program need it; a Python user may not have it."""
    for marker, programs in _PROGRAMS.items():
        missing = [name for name in programs if shutil.which(name) is None]
        skipped = pytest.mark.skip(reason=f"needs {', '.join(missing)}")
        for item in items if missing else ():
            if item.get_closest_marker(marker):
                item.add_marker(skipped)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(20261)


@pytest.fixture
def reference() -> Path:
    return TESTS / "reference"


def small_tables() -> dict[str, pd.DataFrame]:
    """Two pits, one with two grates; every status, items and counts, probes, regrades.

    Bake A1 by hand: row 1 golden, dark, burned; row 2 golden/light, missing, raw.
    """
    pits = pd.DataFrame(
        {
            "pit": ["A", "B"],
            "label": ["Long pit", '=the "short" one, as painted'],
            "flow": ["conventional", "reverse"],
            "has_damper": [True, False],
            "notes": [None, "two lines:\nsecond"],
        }
    )
    grates = pd.DataFrame(
        {
            "pit": ["A", "B", "B"],
            "grate": ["main", "lower", "upper"],
            "rows": [2, 1, 1],
            "columns": [3, 4, 2],
            "cell_length": [4.0, 4.5, None],
            "level": [1, 1, 2],
        }
    )
    bakes = pd.DataFrame(
        {
            "bake": ["A1", "B1", "A2", "B2", "A3"],
            "pit": ["A", "B", "A", "B", "A"],
            "session": ["Sat", "Sat", "Sun", "Sun", None],
            "order": [1, 2, 1, 2, None],
            "target_temp": [350, 350, 350, 350, 350],
            "grate_temp": [361.5, 342.25, None, None, None],
            "ambient_temp": [55, 57, None, None, None],
            "damper_open": [0.5, None, 1, None, None],
            "minutes": [22.0, 22.0, 22.0, 22.0, None],
            "blind": [True, False, None, None, None],
            "status": [None, "kept", "kept", "excluded", "planned"],
            "reason": [None, None, None, "door left open", None],
            "hat": ["red", "blue", "red", None, None],
        }
    )
    main = pd.DataFrame(
        {
            "bake": "A1",
            "row": [1, 1, 1, 2, 2, 2],
            "column": [1, 2, 3, 1, 2, 3],
            "code": ["007", "113", "1e5", "402", None, "NA"],
            "grade_top": ["golden", "dark", "burned", "golden", None, "raw"],
            "grade_bottom": ["golden", "golden", "dark", "light", None, None],
            "missing": [None, None, None, None, "fallen", None],
            "weight": [20.5, 21.0, 19.75, None, 20.0, 20.0],
        }
    )
    lower = pd.DataFrame(
        {
            "bake": ["B1"] * 4 + ["B2"] * 2,
            "grate": ["lower", "lower", "upper", "upper", "lower", "lower"],
            "row": 1,
            "column": [1, 2, 1, 2, 1, 2],
            "burned": [True, False, None, False, True, True],
        }
    )
    counts = pd.DataFrame({"bake": ["A2"], "n_items": [6], "n_burned": [2]})
    probes = pd.DataFrame(
        {
            "bake": ["A1", "A1", "A1"],
            "probe": ["lid", "p1", "p1"],
            "row": [None, 1, 1],
            "column": [None, 2, 2],
            "minute": [0, 0, 5.5],
            "temp": [350, 340.1, 352.7],
        }
    )
    probe_checks = pd.DataFrame(
        {
            "probe": ["p1", "lid", "p1"],
            "minute": [0, 0, 1],
            "temp": [213.5, 216, 213],
            "reference_temp": [211.5, 211.5, None],
            "notes": ["over boiling water", None, None],
        }
    )
    regrades = pd.DataFrame(
        {
            "code": ["007", None],
            "bake": [None, "B1"],
            "grate": [None, "lower"],
            "row": [None, 1],
            "column": [None, 2],
            "grader": ["Kim", "Kim"],
            "grade_top": ["dark", "light"],
        }
    )
    return {
        "pits": pits,
        "grates": grates,
        "bakes": bakes,
        "items": pd.concat([main, lower], ignore_index=True),
        "counts": counts,
        "probes": probes,
        "probe_checks": probe_checks,
        "regrades": regrades,
    }


def small_settings(**changes: object) -> Settings:
    stated: dict[str, object] = {
        "title": "Two pits on one weekend",
        "question": "Does pit A burn more than pit B?",
        "temperature_unit": "F",
        "length_unit": "in",
        "temperature_rule": "same indicated",
        "stop_rule": "22 minutes",
        "margin": 0.15,
        "extra": {"place": "the yard", "helpers": 3},
    }
    return Settings(**(stated | changes))  # type: ignore[arg-type]


@pytest.fixture
def study() -> Study:
    """Return the small study, made anew."""
    return Study(settings=small_settings(), **small_tables())


@pytest.fixture
def tables() -> dict[str, pd.DataFrame]:
    """Return the tables of the small study before they are checked."""
    return small_tables()


@pytest.fixture
def settings() -> Settings:
    """Return the settings of the small study."""
    return small_settings()
