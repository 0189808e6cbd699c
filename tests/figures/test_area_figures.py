"""Maps and usable area: the artists hold the numbers of the results."""

from __future__ import annotations

import numpy as np
import pytest

import pitstats as ps
from tests.analysis.places.test_usable_area import FOUR, near_burns, placed, study_of
from tests.figures.drawn_maps import boxes_of, drawn, texts_of, titles_of


@pytest.fixture(scope="module")
def surface() -> ps.SurfaceMap:
    return ps.map_surface(ps.demo_study("four_pits"))


@pytest.fixture(scope="module")
def area() -> ps.UsableArea:
    return ps.estimate_usable_area(ps.demo_study("four_pits"))


def test_counts_and_estimates_stand_side_by_side(surface: ps.SurfaceMap) -> None:
    figure = ps.plot_surface(surface)
    titles = titles_of(figure)
    # A grate of more than five columns has its maps one below the other.
    assert titles[:2] == ["Quarry: counted", "Quarry: smoothed, %"]
    assert titles[2:4] == ["Ferry: counted", "smoothed, %"]
    counts, chances = texts_of(figure)[:2]
    own = surface.table[surface.table["pit"] == "Quarry"]
    assert counts[0] == f"{own['n_burned'].iloc[0]}/{own['n_items'].iloc[0]}"
    assert chances == [f"{100 * share:.0f}" for share in own["estimate"]]


def test_bars_show_the_intervals(surface: ps.SurfaceMap) -> None:
    figure = ps.plot_surface(surface)
    (bars,) = drawn(figure, "intervals")
    assert len(bars.get_segments()) == len(surface.table)
    own = surface.table[surface.table["pit"] == "Quarry"].reset_index(drop=True)
    ends = np.array([segment[:, 0] for segment in bars.get_segments()])[: len(own)]
    # The bar of a cell has the cell to itself but for a little room on either side.
    boxes = boxes_of(figure)[1]
    left, side = boxes[:, 0, 0], np.ptp(boxes[:, :, 0], axis=1)
    found = ((ends - left[:, None]) / side[:, None] - 0.06) / 0.88
    np.testing.assert_allclose(found, own[["conf_low", "conf_high"]], atol=1e-12)


def test_cells_without_items_are_in_brackets() -> None:
    surface = ps.map_surface(ps.demo_study("unequal_layouts"))
    figure = ps.plot_surface(surface)
    own = surface.table[surface.table["pit"] == "Quarry"]
    bare = [text.startswith("(") for text in texts_of(figure)[1]]
    assert bare == (own["n_items"] == 0).tolist()
    assert len(boxes_of(figure, "unknown")[0]) == sum(bare)


def test_this_bake_is_named_on_the_map() -> None:
    surface = ps.map_surface(ps.demo_study("one_bake_each"))
    titles = titles_of(ps.plot_surface(surface))
    assert titles[1] == "Quarry: this bake, %"
    area = ps.estimate_usable_area(ps.demo_study("one_bake_each"))
    titles = titles_of(ps.plot_chance_good(area))
    assert not any("next time" in title for title in titles)


def test_usable_area_shows_bakes_intervals_and_tested_area(area: ps.UsableArea) -> None:
    share, sized = ps.plot_usable_area(area).axes
    for axes, low, high, dots in (
        (share, "conf_low", "conf_high", "share"),
        (sized, "area_low", "area_high", "area"),
    ):
        bars = [line for line in axes.lines if line.get_gid() == "interval"]
        ends = np.array([bar.get_xdata() for bar in bars], dtype=float)
        np.testing.assert_allclose(ends, area.table[[low, high]])
        seen = np.concatenate([c.get_offsets()[:, 0] for c in axes.collections])
        np.testing.assert_allclose(np.sort(seen), np.sort(area.bakes[dots]))
    tested = [line for line in sized.lines if line.get_gid() == "tested"]
    at = [float(np.asarray(line.get_xdata())[0]) for line in tested]
    assert at == area.table["area_tested"].tolist()


def test_without_sizes_there_is_one_panel() -> None:
    area = ps.estimate_usable_area(study_of(placed(FOUR, 1, 7, near_burns)))
    figure = ps.plot_usable_area(area)
    assert [axes.get_xlabel() for axes in figure.axes] == ["Share of tested cells good"]
