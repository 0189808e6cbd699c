"""Pictures of temperatures and rises: what is drawn, not how it looks."""

import numpy as np
import pytest

import pitstats as ps
from tests.analysis.cell_studies import bakes_study, cell_frame
from tests.analysis.heat.test_rise import rise_study

LEVEL = {"Quarry": 352.0, "Ferry": 331.0}


def parts(axes, gid):
    return [artist for artist in axes.get_children() if artist.get_gid() == gid]


@pytest.fixture
def levels():
    study = bakes_study({"Quarry": 4, "Ferry": 2})
    cells = cell_frame(
        study, np.random.default_rng(1), level=LEVEL, fall={"Quarry": 40.0}
    )
    return ps.estimate_cell_temperatures(study, cells=cells)


def test_levels_intervals_and_bakes(levels):
    (axes,) = ps.plot_temperatures(levels).axes
    assert axes.get_xlabel() == "Temperature at the grate, °F"
    names = [label.get_text() for label in axes.get_yticklabels()]
    assert names == ["Quarry", "Ferry"]
    table = levels.table
    for k, (mark, bar) in enumerate(
        zip(parts(axes, "estimate"), parts(axes, "interval"), strict=True)
    ):
        assert mark.get_xdata()[0] == table.loc[k, "estimate"]
        assert list(bar.get_xdata()) == list(table.loc[k, ["conf_low", "conf_high"]])
    dots = [dot.get_offsets()[:, 0] for dot in parts(axes, "bakes")]
    bakes = levels.bakes
    for pit, found in zip(("Quarry", "Ferry"), dots, strict=True):
        np.testing.assert_allclose(found, bakes.loc[bakes["pit"] == pit, "estimate"])


def test_cells_against_distance(levels):
    first, second = ps.plot_cell_temperatures(levels).axes
    assert first.get_title(loc="left") == "Quarry"
    (marks,) = parts(first, "cells")
    own = levels.cells[levels.cells["pit"] == "Quarry"]
    np.testing.assert_allclose(marks.get_xdata(), own["distance"])
    np.testing.assert_allclose(marks.get_ydata(), own["estimate"])
    (bars,) = parts(first, "intervals")
    ends = np.array([segment[:, 1] for segment in bars.get_segments()])
    np.testing.assert_allclose(ends, own[["conf_low", "conf_high"]])
    assert first.get_ylim() == second.get_ylim()


def test_one_bake_is_drawn_without_intervals():
    study = bakes_study({"Quarry": 1, "Ferry": 1})
    cells = cell_frame(study, np.random.default_rng(1), level=LEVEL)
    levels = ps.estimate_cell_temperatures(study, cells=cells)
    (axes,) = ps.plot_temperatures(levels).axes
    assert len(parts(axes, "estimate")) == 2
    assert not parts(axes, "interval")
    assert len(ps.plot_cell_temperatures(levels).axes) == 2


def test_survey_cells_by_state():
    study = bakes_study({"Quarry": 2}, (2, 3))
    cells = cell_frame(
        study, np.random.default_rng(1), level={"Quarry": 350.0}, sd_bake=0.0
    )
    cells = cells[cells["row"] == 1]
    cells["temp"] = [350.0, 380, 320, 350, 350, 320]
    survey = ps.survey_uniformity(study, cells=cells)
    (axes,) = ps.plot_survey(survey).axes
    kinds = {
        kind: len(parts(axes, kind))
        for kind in ("within", "sometimes", "outside", "no probe")
    }
    assert kinds == {"within": 1, "sometimes": 1, "outside": 1, "no probe": 3}
    hot, cold = "\N{BLACK UP-POINTING TRIANGLE}", "\N{BLACK DOWN-POINTING TRIANGLE}"
    texts = [text.get_text() for text in axes.texts]
    assert texts == ["2 of 2", f"1 of 2 {hot}", f"0 of 2 {cold}"]
    # Row 1 lies at the door, below; column 1 beside the firebox.
    assert axes.get_ylim()[0] < axes.get_ylim()[1]
    (firebox,) = parts(axes, "firebox")
    assert max(firebox.get_xdata()) < 0.5


def test_survey_of_a_long_grate_is_written_short():
    study = bakes_study({"Quarry": 1}, (1, 12))
    cells = cell_frame(study, np.random.default_rng(1), level={"Quarry": 390.0})
    (axes,) = ps.plot_survey(ps.survey_uniformity(study, cells=cells)).axes
    assert {text.get_text() for text in axes.texts} == {
        "0/1\n\N{BLACK UP-POINTING TRIANGLE}"
    }


def test_rise_by_thirds():
    rise = ps.compare_rise(rise_study(np.random.default_rng(2)))
    figure = ps.plot_rise(rise)
    assert len(figure.axes) == 2
    (marks,) = parts(figure.axes[0], "estimates")
    own = rise.parts[rise.parts["pit"] == "Quarry"]
    np.testing.assert_allclose(marks.get_ydata(), own["estimate"])
    assert figure.get_supylabel() == "Rise, mm"
