"""Cells whose counts contradict the smooth surface: table, caveat, figure, sentence."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import pitstats as ps
from pitstats.report.sections.surface import contradictions

ODD = (2, 4)


@cache
def mapped(n_bakes: int, *, odd: bool) -> ps.SurfaceMap:
    """A grate of 3 by 6 that burns all over, but for one cell where it is odd."""
    rng = np.random.default_rng(3)
    rows = []
    for bake in range(n_bakes):
        for row in (1, 2, 3):
            for column in range(1, 7):
                burned = rng.random() < 0.87
                if odd and (row, column) == ODD:
                    burned = False
                grade = "burned" if burned else "golden"
                rows.append((f"b{bake}", "main", row, column, grade))
    names = ["bake", "grate", "row", "column", "grade_top"]
    study = ps.Study(
        settings=ps.Settings(title="T", question="Q", temperature_rule="tuned"),
        pits=pd.DataFrame({"pit": ["Quarry"]}),
        grates=pd.DataFrame(
            {"pit": ["Quarry"], "grate": "main", "rows": 3, "columns": 6}
        ),
        bakes=pd.DataFrame(
            {"bake": [f"b{k}" for k in range(n_bakes)], "pit": "Quarry"}
        ),
        items=pd.DataFrame(rows, columns=names),
    )
    return ps.map_surface(study)


def test_a_lone_cell_is_marked_in_the_table_and_nothing_else() -> None:
    table = mapped(5, odd=True).table
    marked = table[table["contradicts"]]
    assert marked[["row", "column"]].to_numpy().tolist() == [list(ODD)]
    cell = marked.iloc[0]
    assert cell["n_burned"] == 0
    # Its neighbors pull the estimate far from what was counted.
    assert cell["estimate"] > 0.3
    assert cell["p_contradicts"] < 0.02
    assert any("marked" in text for text in mapped(5, odd=True).caveats)


def test_a_smooth_grate_has_no_mark() -> None:
    found = mapped(5, odd=False)
    assert not found.table["contradicts"].any()
    assert found.table["p_contradicts"].between(0, 1).all()
    assert not any("are marked" in text for text in found.caveats)


def test_where_sizes_are_missing_is_said_in_the_form_of_the_record(
    tmp_path: Path,
) -> None:
    study = ps.demo_study("four_pits")
    bare = study.grates.assign(cell_length=np.nan, cell_width=np.nan)
    path = tmp_path / "bare.xlsx"
    ps.write_study(replace(study, grates=bare), path)
    said = "\n".join(ps.map_surface(ps.read_study(path)).caveats)
    assert "Fill in cell_length and cell_width in sheet grates." in said


def test_one_bake_cannot_contradict() -> None:
    assert not mapped(1, odd=True).table["contradicts"].any()


@pytest.mark.parametrize("odd", [True, False])
def test_figure_and_sentence_say_so(odd: bool) -> None:
    found = mapped(5, odd=odd)
    figure = ps.plot_surface(found)
    labels = [artist.get_label() for axes in figure.axes for artist in axes.collections]
    labels += [artist.get_label() for axes in figure.axes for artist in axes.artists]
    signs = sum(str(label).count("\N{NOT EQUAL TO}") for label in labels)
    assert signs == int(odd)
    legend = " ".join(text.get_text() for axes in figure.axes for text in axes.texts)
    assert ("counts contradict it" in legend) == odd
    told = " ".join(contradictions(found))
    assert ("column 4, row 2 (0 of 5 counted" in told) == odd
