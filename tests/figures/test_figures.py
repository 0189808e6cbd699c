"""Figures: the artists hold the numbers of the results, and the labels say so."""

import dataclasses

import numpy as np
import pandas as pd
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

import pitstats as ps
from tests.figures.drawn_maps import boxes_of, drawn, texts_of, titles_of


def four() -> ps.Study:
    return ps.demo_study("four_pits")


def test_rates_show_every_bake_and_every_interval() -> None:
    rates = ps.estimate_burn_rates(four())
    axes = ps.plot_rates(rates).axes[0]
    dots = [c.get_offsets()[:, 0] for c in axes.collections if c.get_gid() == "bakes"]
    np.testing.assert_allclose(
        np.sort(np.concatenate(dots)), np.sort(rates.bakes["share"].to_numpy())
    )
    bars = [line for line in axes.lines if line.get_gid() == "interval"]
    ends = np.array([bar.get_xdata() for bar in bars])
    np.testing.assert_allclose(ends, rates.table[["conf_low", "conf_high"]])
    thin = np.array(
        [line.get_xdata() for line in axes.lines if line.get_gid() == "naive interval"]
    )
    np.testing.assert_allclose(thin, rates.naive[["conf_low", "conf_high"]])


def test_rates_say_what_they_rest_on() -> None:
    axes = ps.plot_rates(ps.estimate_burn_rates(four())).axes[0]
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert labels[0] == "Quarry\n4 bakes, 70 items"


def test_differences_show_both_intervals_and_the_margin() -> None:
    comparison = ps.compare_pits(four())
    axes = ps.plot_differences(comparison).axes[0]
    wide = np.array(
        [line.get_xdata() for line in axes.lines if line.get_gid() == "simultaneous"]
    )
    # The pit that burned more stands first: a turned pair has its ends turned.
    ends = 100 * comparison.table[["simultaneous_low", "simultaneous_high"]].to_numpy()
    turned = comparison.table["estimate"].to_numpy() < 0
    ends[turned] = -ends[turned, ::-1]
    np.testing.assert_allclose(wide, ends)
    assert turned.any()
    marks = [ln.get_xdata()[0] for ln in axes.lines if ln.get_gid() == "estimate"]
    assert min(marks) >= 0
    assert "stated margin" in {p.get_label() for p in axes.patches}


def test_maps_name_the_firebox_end_and_show_every_cell_on_one_scale() -> None:
    cells = ps.map_cells(four())
    figure = ps.plot_grates(cells)
    assert len(titles_of(figure)) == 5
    assert texts_of(figure, "firebox") == [["firebox"], ["end"]] * 5
    assert sum(map(len, texts_of(figure))) == int((cells["n_items"] > 0).sum())
    sides = np.concatenate([np.ptp(boxes, axis=1) for boxes in boxes_of(figure)])
    np.testing.assert_allclose(sides, sides[0, 0])


def test_cells_without_a_graded_item_are_hatched() -> None:
    cells = ps.map_cells(four())
    whole = boxes_of(ps.plot_grates(cells))[0]
    cells.loc[0, ["n_items", "n_burned", "n_missing"]] = [0, 0, 4]
    cells.loc[0, "share"] = np.nan
    figure = ps.plot_grates(cells)
    hatched = drawn(figure, "unknown")
    assert [boxes.get_hatch() for boxes in hatched] == ["////"]
    np.testing.assert_allclose(boxes_of(figure, "unknown")[0][0], whole[0])
    np.testing.assert_allclose(boxes_of(figure)[0], whole[1:])


def test_cells_that_lost_items_have_a_hatched_strip() -> None:
    cells = ps.map_cells(four())
    figure = ps.plot_grates(cells)
    strips = np.concatenate(boxes_of(figure, "lost"))
    some_lost = (cells["n_missing"] > 0) & (cells["n_items"] > 0)
    assert len(strips) == int(some_lost.sum()) > 0


def test_grades_bars_add_up_to_the_whole() -> None:
    figure = ps.plot_grades(ps.count_grades(four()))
    axes = figure.axes[0]
    ends = pd.DataFrame(
        [(bar.get_y(), bar.get_width()) for bar in axes.patches], columns=["y", "w"]
    )
    np.testing.assert_allclose(ends.groupby("y")["w"].sum(), 1.0)


def test_values_of_evenness_keep_below_the_title() -> None:
    evenness = ps.compare_evenness(four())
    table = evenness.table.copy()
    table.loc[0, ["near", "near_low", "near_high"]] = 1.0
    table.loc[1, ["near", "near_low", "near_high"]] = [0.97, 0.8, 0.995]
    table.loc[2, ["far", "far_low", "far_high"]] = 0.0
    figure = ps.plot_evenness(dataclasses.replace(evenness, table=table))
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    for axes, row in zip(figure.axes, table.to_dict("records"), strict=True):
        (title,) = (
            child
            for child in axes.get_children()
            if isinstance(child, Text) and child.get_text() == row["pit"]
        )
        floor = title.get_window_extent(canvas.get_renderer()).y0
        values = [text for text in axes.texts if text.get_gid() == "value"]
        rates = [row[part] for part in ("near", "middle", "far")]
        assert [v.get_text() for v in values] == [f"{100 * r:.0f}%" for r in rates]
        marks = axes.transData.transform([(0, rate) for rate in rates])[:, 1]
        for value, mark in zip(values, marks, strict=True):
            extent = value.get_window_extent(canvas.get_renderer())
            assert mark + 4 < extent.y0 < extent.y1 < floor - 2


def test_curves_end_with_the_items_and_are_dotted_in_gaps() -> None:
    at = [0.1, 0.3, 0.5, 0.7]
    curves = pd.DataFrame(
        {
            "pit": ["Quarry"] * 4 + ["Mill"],
            "distance": [*at, 0.25],
            "estimate": [0.5, 0.4, 0.3, 0.2, 0.6],
            "conf_low": 0.1,
            "conf_high": 0.9,
            "n_items": [3, 3, 0, 3, 9],
        }
    )
    line, mark = ps.plot_curves(curves).axes
    assert line.get_xlim() == (0, 1)
    dotted, solid = line.lines
    np.testing.assert_allclose(dotted.get_xdata(), at)
    assert dotted.get_linestyle() == ":"
    np.testing.assert_allclose(solid.get_ydata(), [0.5, 0.4, np.nan, 0.2])
    (band,) = line.collections
    reach = band.get_paths()[0].vertices[:, 0]
    assert (reach.min(), reach.max()) == (0.1, 0.7)
    (point,) = mark.lines
    assert (list(point.get_xdata()), point.get_marker()) == ([0.25], "D")
    ((low, high),) = mark.collections[0].get_segments()
    np.testing.assert_allclose([low, high], [[0.25, 0.1], [0.25, 0.9]])


def test_dollar_signs_in_names_stay_text() -> None:
    study = four()
    pits = study.pits.copy()
    rates = ps.estimate_burn_rates(study)
    table = rates.table.assign(pit=["$x^2$", "a_b", "{", "<b>"])
    odd = dataclasses.replace(
        rates,
        table=table,
        naive=rates.naive.assign(pit=table["pit"]),
        bakes=rates.bakes.assign(
            pit=rates.bakes["pit"].map(
                dict(zip(pits["pit"], table["pit"], strict=True))
            )
        ),
    )
    figure = ps.plot_rates(odd)
    figure.canvas.draw()
    assert figure.axes[0].get_yticklabels()[0].get_text().startswith("$x^2$")
