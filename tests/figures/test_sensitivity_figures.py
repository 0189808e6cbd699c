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


def test_every_idea_is_a_row_at_its_shift_with_its_range() -> None:
    axes = ps.plot_sensitivity(found()).axes[0]
    own = found().tried()
    marks = [mark.get_xdata()[0] for mark in drawn(axes, "shift", "tips")]
    assert marks == pytest.approx((100 * own["shift"]).tolist())
    ranges = [line.get_xdata().tolist() for line in drawn(axes, "range")]
    ends = 100 * own[["shift_from", "shift_to"]].to_numpy()
    np.testing.assert_allclose(ranges, ends)
    labels = [label.get_text() for label in axes.get_yticklabels()]
    assert len(labels) == len(own)
    assert any(text.startswith("Grate temperature:") for text in labels)


def test_what_tips_is_open_and_named() -> None:
    axes = ps.plot_sensitivity(found()).axes[0]
    tipping = drawn(axes, "tips")
    words = [text.get_text() for text in axes.texts if text.get_gid() == "verdict"]
    own = found().tried()
    assert len(tipping) == len(words) == own["tips"].sum() > 0
    assert words == own.loc[own["tips"], "verdict"].tolist()
    assert all(mark.get_markerfacecolor() == "white" for mark in tipping)


def test_the_interval_as_reported_lies_about_no_shift() -> None:
    pair = ("South", "North")
    axes = ps.plot_sensitivity(found(), pair).axes[0]
    (line,) = drawn(axes, "reported")
    assert line.get_xdata()[0] == 0
    reported = found().of_pair(*pair).iloc[0]
    (nothing,) = drawn(axes, "none left")
    assert nothing.get_xdata()[0] == pytest.approx(-100 * reported["estimate"])
    (band,) = [patch for patch in axes.patches if patch.get_gid() == "interval"]
    wide = 100 * (reported["simultaneous_high"] - reported["simultaneous_low"])
    assert band.get_width() == pytest.approx(wide)
    assert axes.get_xlabel() == "Moves South \N{MINUS SIGN} North by, points"


def test_long_and_odd_names_do_no_harm() -> None:
    study = ps.study_from_counts(
        ["A $x$ <b> " + "long " * 12, "B\nB", "A $x$ <b> " + "long " * 12, "B\nB"],
        [20] * 4,
        [2, 9, 3, 12],
    )
    figure = ps.plot_sensitivity(ps.check_sensitivity(study))
    figure.canvas.draw()
    assert len(figure.axes[0].get_xlabel()) < 70


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
