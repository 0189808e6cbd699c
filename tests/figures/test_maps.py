"""Maps, patterns and faces: what is drawn is what was found."""

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

import pitstats as ps
from pitstats.figures.grates import (
    BURNED_LABEL,
    MapPanel,
    grate_panels,
    pairs_of,
    plot_cell_maps,
    plot_maps,
    plot_small_grates,
)
from pitstats.figures.map_scale import (
    HEAT,
    WANTED,
    number_scale,
    share_scale,
    step_marks,
    step_scale,
)
from pitstats.figures.style import BROWNING, SMALLEST
from tests.figures.drawn_maps import boxes_of, drawn, texts_of, titles_of


def grate(rows: int, columns: int, share: float = 0.5) -> pd.DataFrame:
    row, column = np.indices((rows, columns)).reshape(2, -1) + 1
    return pd.DataFrame(
        {"row": row, "column": column, "share": share, "n_burned": 1, "n_items": 2}
    )


@pytest.mark.parametrize("palette", [BROWNING, HEAT, WANTED])
def test_colors_keep_their_order_in_gray(palette: tuple[str, ...]) -> None:
    scale = share_scale("x", palette)
    rgb = np.array(scale.colors(np.linspace(0, 1, 101)))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    gray = linear @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(gray) < 0).all()
    # Also to an eye without red, or without green, cones (the other one decides).
    for channel in (0, 1):
        assert (np.diff(rgb[:, channel]) <= 1e-12).all()
    assert gray[0] > 0.75 > 0.05 > gray[-1]


def test_one_scale_serves_all_maps() -> None:
    values = [300.0, 320.0, np.nan, 340.0]
    scale = number_scale(values, "temperature")
    assert (scale.low, scale.high) == (300, 340)
    one, two = scale.colors([300.0]), scale.colors([320.0, 300.0])
    assert one[0] == two[1]
    # A single value, and none, give a scale too.
    assert len(number_scale([5.0], "x").colors([5.0])) == 1
    assert number_scale([np.nan], "x").high == 1.0


def test_marks_tell_grades_apart() -> None:
    assert step_marks(["pale", "gold"]) == ["P", "G"]
    assert step_marks(["dark", "dull"]) == ["Da", "Du"]
    assert step_marks(["dark", "darker"]) == ["1", "2"]


def test_figures_fit_a_phone_and_a_page() -> None:
    panels = [[MapPanel(f"Bake {k}", grate(4, 6))] for k in range(9)]
    figures = plot_maps(panels, value="share", scale=share_scale(BURNED_LABEL))
    titles = [title for figure in figures for title in titles_of(figure)]
    assert titles == [f"Bake {k}" for k in range(9)]
    heights = [figure.get_size_inches()[1] for figure in figures]
    assert len(figures) > 1
    assert max(heights) <= 7.4
    assert all(figure.get_size_inches()[0] <= 6 for figure in figures)
    n_maps = [len(titles_of(figure)) for figure in figures]
    assert max(n_maps) - min(n_maps) <= 1
    assert plot_maps([], value="share", scale=share_scale("x")) == []


@pytest.mark.parametrize(("rows", "columns"), [(1, 1), (1, 14), (12, 2), (3, 40)])
def test_every_size_of_grate_has_square_cells(rows: int, columns: int) -> None:
    figure = plot_cell_maps(
        [[MapPanel("G", grate(rows, columns))]], value="share", scale=share_scale("x")
    )
    (boxes,) = boxes_of(figure)
    assert len(boxes) == rows * columns
    sides = np.ptp(boxes, axis=1)
    np.testing.assert_allclose(sides, sides[0, 0])
    high = figure.get_size_inches()[1]
    assert boxes.min() > 0
    assert boxes[..., 0].max() < 5.6
    assert boxes[..., 1].max() < high
    corners = {tuple(corner) for corner in np.round(boxes[:, 0] / sides[0, 0], 6)}
    assert len(corners) == rows * columns


def test_rows_of_maps_share_a_cell_size_and_say_the_firebox_end_once() -> None:
    row = [MapPanel("A", grate(3, 6)), MapPanel("B", grate(2, 5))]
    figure = plot_cell_maps([row], value="share", scale=share_scale("x"))
    left, right = boxes_of(figure)
    assert texts_of(figure, "firebox") == [["firebox"], ["end"]]
    assert texts_of(figure, "rows") == [["door 1", "2", "3"]]
    assert np.ptp(left[0], axis=0) == pytest.approx(np.ptp(right[0], axis=0))
    assert left[..., 0].max() < right[..., 0].min()


def small_grates(sizes: dict[str, tuple[int, int]], n: int) -> Figure:
    """Grates as the first page draws them, with n bakes of every cell."""
    cells = [
        grate(*size).assign(pit=pit, grate="main", level=1, n_items=n, n_burned=n)
        for pit, size in sizes.items()
    ]
    return plot_small_grates(pd.concat(cells))


@pytest.mark.parametrize(("n", "rows"), [(1, 3), (4, 3), (12, 5)])
def test_counts_of_small_grates_are_large_enough_and_stay_in_their_cells(
    n: int, rows: int
) -> None:
    figure = small_grates(dict.fromkeys("ABCDE", (3, 6)), n)
    boxes = boxes_of(figure)
    assert len({round(float(own[..., 1].min()), 3) for own in boxes}) == rows
    assert texts_of(figure) == [[f"{n}/{n}"] * 18] * 5
    (labels,) = drawn(figure, "labels")
    widest = max(path.get_extents().width for path in labels.get_paths()) / 72
    assert 0.6 < widest / np.ptp(boxes[0][0, :, 0]) < 0.95
    digits = max(path.get_extents().height for path in labels.get_paths())
    assert digits > 0.7 * SMALLEST  # a digit is 0.73 of the size of its letters


def test_two_grates_of_a_pit_stand_side_by_side() -> None:
    sizes = {"A": (2, 6), "B": (2, 5), "C": (2, 8), "D": (3, 5), "E": (2, 5)}
    lows = [round(float(b[..., 1].max()), 3) for b in boxes_of(small_grates(sizes, 4))]
    assert lows[0] == lows[1] > lows[2] > lows[3] == lows[4]


def test_grates_of_one_figure_do_not_touch() -> None:
    panels = [MapPanel(str(n), grate(2, n)) for n in (6, 5, 8, 5, 12, 9)]
    figure = plot_cell_maps(pairs_of(panels), value="share", scale=share_scale("x"))
    ends = [(own.min(axis=(0, 1)), own.max(axis=(0, 1))) for own in boxes_of(figure)]
    assert len(ends) == 6
    for i, (low, high) in enumerate(ends):
        for other_low, other_high in ends[:i]:
            assert (high < other_low).any() or (low > other_high).any()


def ends_of_titles(figure: Figure) -> list[tuple[str, float, float, float]]:
    """Text, left and right edge and height of each title in inches, as drawn."""
    canvas = FigureCanvasAgg(figure)
    boxes = [
        (title.get_text(), title.get_window_extent(canvas.get_renderer()))
        for title in drawn(figure, "title")
        if isinstance(title, Text)
    ]
    return [
        (text, box.x0 / figure.dpi, box.x1 / figure.dpi, round(box.y0 / figure.dpi, 1))
        for text, box in boxes
    ]


def sizes_of_titles(figure: Figure) -> set[float]:
    """Font sizes of the titles, in points."""
    titles = [title for title in drawn(figure, "title") if isinstance(title, Text)]
    return {float(title.get_fontsize()) for title in titles}


CROWDED: list[list[list[tuple[str, int]]]] = [
    [[("B01, main, top", 4), ("bottom", 4)], [("B01, upper, top", 3), ("bottom", 3)]],
    [[("Hearth, upper: counted", 3), ("smoothed, %", 3)]],
    [[("Extraordinarily, long: counted", 6), ("chance next time, %", 6)]],
    [[("B01, upper, top", 1), ("bottom", 1), ("left side", 1), ("right side", 1)]],
    [[("A", 6), ("W" * 16 + ", " + "W" * 10, 6)], [("M" * 26, 12)]],
    [[("W" * 16 + ", " + "W" * 10, 2), ("W" * 16 + ", " + "W" * 10, 2)]],
    [[("$x^2$, upper, top", 2), ("bottom", 2)], [("alone " * 5, 3)]],
]


@pytest.mark.parametrize("grid", CROWDED)
def test_titles_side_by_side_keep_apart(grid: list[list[tuple[str, int]]]) -> None:
    panels = [[MapPanel(title, grate(2, n)) for title, n in row] for row in grid]
    figure = plot_cell_maps(
        panels, value="share", scale=share_scale("x"), largest_cell=0.32
    )
    titles = ends_of_titles(figure)
    assert len(titles) == sum(map(len, grid))
    for _, low, high, line in titles:
        assert 0.9 < low < high < 5.6
        beside = [start for _, start, _, other in titles if other == line]
        assert all(start <= low or start > high + 0.1 for start in beside)
    boxes = boxes_of(figure)
    np.testing.assert_allclose(
        [np.ptp(own[0], axis=0) for own in boxes], np.ptp(boxes[0][0], axis=0)[0]
    )
    assert max(own[..., 0].max() for own in boxes) < 5.6
    # A title begins where its grate does.
    starts = [own[..., 0].min() for own in boxes]
    np.testing.assert_allclose([low for _, low, _, _ in titles], starts, atol=0.04)
    (size,) = sizes_of_titles(figure)
    assert 9 <= size <= 13


def test_titles_are_set_smaller_before_they_are_shortened() -> None:
    def titles(*words: str) -> tuple[list[str], float]:
        row = [MapPanel(word, grate(2, 3)) for word in words]
        figure = plot_cell_maps([row], value="share", scale=share_scale("x"))
        (size,) = sizes_of_titles(figure)
        return titles_of(figure), size

    assert titles("Mill, upper", "bottom") == (["Mill, upper", "bottom"], 13)
    whole = ["The Hearth, upper, top", "bottom"]
    words, size = titles(*whole)
    assert words == whole
    assert SMALLEST <= size < 13
    (first, second), size = titles("Old Brick Hearth, " * 3 + "top", "bottom")
    assert size == SMALLEST
    assert first.startswith("Old")
    assert first.endswith(", top")
    assert "\N{HORIZONTAL ELLIPSIS}" in first
    assert second == "bottom"


def test_grades_are_marked_and_named_in_the_legend() -> None:
    cells = grate(1, 3).assign(code=[0.0, 4.0, np.nan])
    scale = step_scale(["raw", "light", "golden", "dark", "burned"], "grade")
    figure = plot_maps([[MapPanel("A", cells)]], value="code", scale=scale)[0]
    assert texts_of(figure) == [["R", "B"]]
    assert [len(boxes) for boxes in boxes_of(figure, "unknown")] == [1]
    legend = [text.get_text() for text in figure.axes[0].texts]
    assert {"raw", "burned", "grade", "R", "B"} <= set(legend)


def test_two_grates_stand_side_by_side_only_where_cells_stay_readable() -> None:
    sizes = [6, 5, 8, 5, 12, 9]
    rows = pairs_of([MapPanel(str(n), grate(2, n)) for n in sizes])
    assert [[int(p.title) for p in row] for row in rows] == [
        [6, 5],
        [8],
        [5],
        [12],
        [9],
    ]


def test_panels_are_named_by_pit_and_grate() -> None:
    cells = ps.map_cells(ps.demo_study("four_pits"))
    titles = [panel.title for panel in grate_panels(cells)]
    assert titles == ["Quarry", "Ferry", "Orchard", "Mill, main", "Mill, upper"]


def test_thirds_show_every_bake_beside_the_estimates() -> None:
    study = ps.demo_study("unequal_layouts")
    zones = ps.map_patterns(study).zones
    axes = ps.plot_evenness(ps.compare_evenness(study), zones).axes[0]
    own = zones[zones["pit"] == "Quarry"].pivot_table(
        index="bake", columns="zone", values="inside", sort=False
    )
    lines = [line.get_ydata() for line in axes.lines if line.get_gid() == "bake"]
    np.testing.assert_allclose(lines, own[["near", "middle", "far"]].to_numpy())


def test_faces_show_every_interval_in_points() -> None:
    faces = ps.compare_faces(ps.demo_study("four_pits"))
    axes = ps.plot_faces(faces).axes[0]
    drawn = np.array(
        [line.get_xdata() for line in axes.lines if line.get_gid() == "interval"]
    )
    np.testing.assert_allclose(
        drawn, 100 * faces.table[["darker_low", "darker_high"]].to_numpy()
    )
    names = [label.get_text() for label in axes.get_yticklabels()]
    assert names[:4] == ["Quarry", "near", "middle", "far"]
