"""Figures of alternatives and of second gradings hold the numbers of the results."""

from __future__ import annotations

import numpy as np
import pytest

import pitstats as ps
from tests.analysis.second_gradings import (
    both,
    found,
    gradings,
    regraded,
    rich_study,
    with_regrades,
)


def drawn(axes, *names: str) -> list:
    return [line for line in axes.lines if line.get_gid() in names]


def test_every_row_that_is_shown_is_a_row_of_the_table() -> None:
    axes = ps.plot_sensitivity(found()).axes[0]
    own = found().of_pair(*found().leading_pair)
    ends = np.round(100 * own[["simultaneous_low", "simultaneous_high"]], 8)
    known = {tuple(row) for row in ends.to_numpy().tolist()}
    bars = [tuple(np.round(bar.get_xdata(), 8)) for bar in drawn(axes, "interval")]
    assert set(bars) <= known
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert labels[0] == "As reported"
    assert "Grate temperature" in labels
    assert "One bake left out (14: ends)" in labels


def test_changed_verdicts_are_open_and_named() -> None:
    axes = ps.plot_sensitivity(found()).axes[0]
    changed = drawn(axes, "changed")
    words = [text.get_text() for text in axes.texts if text.get_gid() == "verdict"]
    assert len(changed) == len(words) > 0
    assert set(words) == {"cannot tell"}
    assert all(mark.get_markerfacecolor() == "white" for mark in changed)
    own = found().of_pair(*found().leading_pair)
    values = {round(100 * v, 8) for v in own.loc[own["changes"], "estimate"]}
    assert {round(float(mark.get_xdata()[0]), 8) for mark in changed} <= values


def test_the_ends_of_a_large_family_are_drawn() -> None:
    axes = ps.plot_sensitivity(found()).axes[0]
    own = found().of_pair(*found().leading_pair)
    one_out = 100 * own.loc[own["about"] == "one bake left out", "estimate"]
    marks = {
        round(float(mark.get_xdata()[0]), 8)
        for mark in drawn(axes, "estimate", "changed")
    }
    assert {round(one_out.min(), 8), round(one_out.max(), 8)} <= marks


def test_the_dashed_line_is_the_difference_as_reported_and_the_margin_is_shown() -> (
    None
):
    figure = ps.plot_sensitivity(found(), ("South", "North"))
    axes = figure.axes[0]
    (line,) = drawn(axes, "reported")
    own = found().of_pair("South", "North")
    assert line.get_xdata()[0] == pytest.approx(100 * own["estimate"].iloc[0])
    assert any(patch.get_gid() == "margin" for patch in axes.patches)
    assert axes.get_xlabel() == "Points, South \N{MINUS SIGN} North"


def test_long_and_odd_names_do_no_harm() -> None:
    study = ps.study_from_counts(
        ["A $x$ <b> " + "long " * 12, "B\nB", "A $x$ <b> " + "long " * 12, "B\nB"],
        [20] * 4,
        [2, 9, 3, 12],
    )
    figure = ps.plot_sensitivity(ps.check_sensitivity(study))
    figure.canvas.draw()
    assert len(figure.axes[0].get_xlabel()) < 60


def test_tables_of_grades_add_up() -> None:
    study = rich_study()
    agreement = ps.compare_gradings(with_regrades(study, regraded(study)), both=both())
    figure = ps.plot_grading_agreement(agreement)
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert titles == ["Top", "Bottom", "Deciding face"]
    for axes, (_, own) in zip(
        figure.axes, agreement.confusion.groupby("face", sort=False), strict=True
    ):
        shown = [int(t.get_text()) for t in axes.texts if t.get_text()]
        assert sum(shown) == own["n_items"].sum()
        lines = [line for line in axes.lines if line.get_gid() == "burned begins"]
        assert len(lines) == 2
        assert lines[0].get_ydata()[0] == agreement.settings.burned_code


def test_several_graders_have_a_panel_each() -> None:
    figure = ps.plot_grading_agreement(gradings())
    assert [axes.get_title(loc="left") for axes in figure.axes] == ["Kim", "Lee"]
