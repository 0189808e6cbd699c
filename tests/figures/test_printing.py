"""Figures as files: the same figure gives the same bytes, whatever the user's style."""

import io

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from PIL import Image

import pitstats as ps
from pitstats.figures.printing import print_figure
from pitstats.figures.style import BROWNING, browning_steps, house_style


def rates_figure() -> Figure:
    return ps.plot_rates(ps.estimate_burn_rates(ps.demo_study("one_bake_each")))


def test_a_figure_is_printed_alike_each_time() -> None:
    first, second = (print_figure(rates_figure(), svg=True) for _ in range(2))
    assert first == second
    assert first.png.startswith(b"\x89PNG")
    assert first.svg is not None
    assert b"<svg" in first.svg
    assert b"<dc:date>" not in first.svg


def test_the_svg_is_made_only_where_it_is_kept() -> None:
    assert print_figure(rates_figure()).svg is None


def test_the_print_has_150_dots_an_inch_and_the_layout_stands() -> None:
    figure = rates_figure()
    width = int(figure.get_size_inches()[0] * 150)
    png = print_figure(figure).png
    assert int.from_bytes(png[16:20], "big") == width
    for axes in figure.axes:
        box = axes.get_tightbbox()
        assert box is not None
        assert box.x0 >= 0
        assert box.x1 <= width


def test_the_users_own_style_neither_shows_nor_suffers() -> None:
    plain = print_figure(rates_figure(), svg=True)
    with mpl.rc_context(
        {"axes.facecolor": "red", "font.size": 30.0, "axes.grid": True}
    ):
        assert print_figure(rates_figure(), svg=True) == plain
        assert mpl.rcParams["axes.facecolor"] == "red"
        with house_style():
            assert mpl.rcParams["axes.facecolor"] == "white"


def test_browning_steps_run_from_the_palest_to_the_darkest() -> None:
    for n in (2, 5, 7):
        steps = browning_steps(n)
        ends = [mpl.colors.to_hex(step) for step in (steps[0], steps[-1])]
        assert ends == [BROWNING[0], BROWNING[-1]]
        lightness = [sum(step) for step in steps]
        assert lightness == sorted(lightness, reverse=True)


def test_a_transparent_ground_is_printed_as_white_paper() -> None:
    figure = Figure(figsize=(1, 1))
    axes = figure.subplots()
    figure.patch.set_alpha(0)
    axes.patch.set_alpha(0)
    axes.set_axis_off()
    axes.set_position((0, 0, 1, 1))
    axes.axvspan(0, 1, color="red", alpha=0.2, linewidth=0)
    axes.set_xlim(0, 2)
    file = Image.open(io.BytesIO(print_figure(figure).png))
    assert file.mode == "P"
    image = file.convert("RGB")
    np.testing.assert_allclose(image.getpixel((20, 75)), (255, 204, 204), atol=3)
    assert image.getpixel((130, 75)) == (255, 255, 255)
