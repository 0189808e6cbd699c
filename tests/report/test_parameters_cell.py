"""Mistyped parameters never run, and paths are found beside the notebook."""

from __future__ import annotations

import shutil
from pathlib import Path

import nbformat
import papermill
import pytest
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError

import pitstats as ps
from pitstats import errors
from pitstats.report.parameters_cell import check_cells
from pitstats.report.render.parameters import Declared
from pitstats.study import lookup
from pitstats.study.demo import copy_demo

DECLARED = 'study_path: str = ""\nconf_level: float = 0.0  # level\nseed: int = 1'
SETUP = "import pitstats as ps\nps.check_parameters()\nx = (study_path, conf_level)"
VALUES = {"study_path": "", "conf_level": 0.0, "seed": 1, "ps": ps}


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        (
            [DECLARED + "\nconf_levl = 0.9"],
            "no parameter 'conf_levl'. Was 'conf_level'",
        ),
        ([DECLARED, "# Parameters\nconf_levl = 0.9\n"], "Was 'conf_level' meant"),
        ([DECLARED.replace("conf_level:", "conf_levl:")], "'conf_level' is not set"),
        # The kernel still knows the name from before it was mistyped.
        (
            [DECLARED, SETUP, DECLARED.replace("conf_level:", "conf_levl:")],
            "'conf_level' is not set. The parameters are conf_levl",
        ),
    ],
)
def test_a_mistyped_name_is_told(cells: list[str], said: str) -> None:
    values = dict(VALUES)
    if len(cells) < 3 and "conf_levl:" in cells[0]:
        del values["conf_level"]
    with pytest.raises(errors.DesignError, match=said):
        check_cells(["", *cells, SETUP], values)


@pytest.mark.parametrize("value", ["95%", None, True, [0.9]])
def test_a_value_of_another_kind_is_told(value: object) -> None:
    with pytest.raises(errors.DesignError, match=r"conf_level is .* must be a number"):
        check_cells([DECLARED, SETUP], VALUES | {"conf_level": value})


@pytest.mark.parametrize(
    "cells",
    [
        [DECLARED],
        [DECLARED, "# Parameters\nconf_level = 0.9\n"],
        [DECLARED, "%time\n", "mine = 3", "other: int = 2"],
        [DECLARED, "other: int = 2", SETUP, DECLARED, "mine = 3"],
        ["not python at all", DECLARED],
        [],
    ],
)
def test_what_is_right_runs(cells: list[str]) -> None:
    check_cells([*cells, SETUP], VALUES)


def test_an_unknown_parameter_of_a_report_is_told_with_the_one_meant() -> None:
    declared = Declared("season", {"season_path": {}, "conf_level": {}})
    with pytest.raises(errors.PitstatsError, match="Was 'conf_level' meant"):
        declared.checked({"conf_levl": 0.9})


@pytest.fixture
def notebook(tmp_path: Path) -> Path:
    """A shipped notebook beside a study, up to the cell that reads it."""
    copy_demo("one_bake_each", tmp_path / "mine")
    source = Path(__file__).parents[2] / "notebooks" / "compare_pits.ipynb"
    short = nbformat.read(source, as_version=4)
    short.cells = short.cells[:3]
    nbformat.write(short, tmp_path / "own.ipynb")
    return tmp_path / "own.ipynb"


def test_an_open_notebook_shows_the_message_alone(notebook: Path) -> None:
    opened = nbformat.read(notebook, as_version=4)
    opened.cells[1].source += "\nconf_levl = 0.9"
    with pytest.raises(CellExecutionError) as error:
        NotebookClient(opened).execute()
    (shown,) = [out for out in opened.cells[2].outputs if out.output_type == "error"]
    assert shown["traceback"] == [shown["evalue"]]
    assert shown["evalue"].startswith(
        "This notebook has no parameter 'conf_levl'. Was 'conf_level' meant?"
    )
    assert "site-packages" not in str(error.value)


def test_papermill_does_not_run_what_is_mistyped(notebook: Path) -> None:
    with pytest.raises(papermill.PapermillExecutionError, match="no parameter"):
        papermill.execute_notebook(
            notebook, None, parameters={"conf_levl": 0.9}, progress_bar=False
        )


def test_papermill_finds_a_study_beside_the_working_folder(notebook: Path) -> None:
    papermill.execute_notebook(
        notebook,
        None,
        parameters={"study_path": "mine"},
        cwd=str(notebook.parent),
        progress_bar=False,
    )


class TestLookup:
    def test_beside_the_notebook_and_in_the_working_folder(
        self, notebook: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        elsewhere = notebook.parent / "elsewhere"
        elsewhere.mkdir()
        monkeypatch.chdir(elsewhere)
        monkeypatch.setenv("JPY_SESSION_NAME", str(notebook))
        monkeypatch.setitem(__import__("sys").modules, "IPython", object())
        assert ps.read_study("mine") == ps.demo_study("one_bake_each")
        (problem,) = ps.check_study("mein")
        assert f"Looked in {elsewhere} and {notebook.parent}. Check" in problem.message
        with pytest.raises(errors.DesignError, match=f"Looked in {elsewhere} and"):
            ps.read_season("mein")
        # What lies in the working folder is meant first.
        copy_demo("four_pits", elsewhere / "mine")
        assert ps.read_study("mine") == ps.demo_study("four_pits")

    def test_a_report_has_its_kernel_look_beside_its_notebook(
        self, notebook: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        far = notebook.parent / "far"
        far.mkdir()
        monkeypatch.chdir(far)
        own = nbformat.read(notebook, as_version=4)
        own.cells[1].source = own.cells[1].source.replace('= ""', '= "mine"', 1)
        nbformat.write(own, notebook)
        page = ps.render_report(None, notebook=str(notebook), out="out", progress=False)
        assert page.is_file()
        # Not there: it says where it looked, the folder of the command among them.
        shutil.rmtree(notebook.parent / "mine")
        with pytest.raises(errors.PitstatsError, match=f"Looked in .*{far}"):
            ps.render_report(None, notebook=str(notebook), out="two", progress=False)
        assert not (far / "two").exists()

    def test_an_absolute_path_is_that_path(self, tmp_path: Path) -> None:
        assert lookup.found(tmp_path / "x") == tmp_path / "x"
        assert lookup.looked_in(tmp_path / "x") == ""
