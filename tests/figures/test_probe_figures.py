"""Pictures of probes and gauges hold the numbers of the results."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

import pitstats as ps
from pitstats.figures.probes import MOST_PANELS
from pitstats.report.sections.probes import panels_sentence


@pytest.fixture(scope="module")
def summary() -> ps.ProbeSummary:
    return ps.summarize_probes(ps.demo_study("probed_pits"))


@pytest.fixture(scope="module")
def gauges(summary: ps.ProbeSummary) -> ps.GaugeComparison:
    return ps.compare_gauges(ps.demo_study("probed_pits"), summary=summary)


def lines(axes: Axes, gid: str) -> list[np.ndarray]:
    return [
        np.asarray(line.get_ydata()) for line in axes.lines if line.get_gid() == gid
    ]


def test_every_series_of_every_bake_is_drawn(summary: ps.ProbeSummary) -> None:
    figure = ps.plot_series(summary)
    titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert titles == summary.bakes["bake"].tolist()
    for axes, bake in zip(figure.axes, titles, strict=True):
        own = summary.readings[summary.readings["bake"] == bake]
        drawn = np.concatenate(lines(axes, "probe") + lines(axes, "lid"))
        shown = np.sort(drawn[~np.isnan(drawn)])
        np.testing.assert_allclose(shown, np.sort(own["temp"]))
        assert len(lines(axes, "lid")) == 1
        assert any(patch.get_gid() == "outside" for patch in axes.patches)
    last = figure.axes[titles.index("Quarry-4")]
    assert sum(len(one) for one in lines(last, "left out")) == 33
    holed = figure.axes[titles.index("Ferry-1")]
    assert sum(np.isnan(one).sum() for one in lines(holed, "probe")) == 1


def test_gauges_show_bias_interval_limits_and_bakes(
    gauges: ps.GaugeComparison,
) -> None:
    axes = ps.plot_gauges(gauges).axes[0]

    def ends(gid: str) -> np.ndarray:
        return np.array(
            [line.get_xdata() for line in axes.lines if line.get_gid() == gid]
        )

    np.testing.assert_allclose(ends("bias")[:, 0], gauges.table["bias"])
    np.testing.assert_allclose(
        ends("interval"), gauges.table[["conf_low", "conf_high"]]
    )
    np.testing.assert_allclose(ends("limits"), gauges.table[["lower", "upper"]])
    np.testing.assert_allclose(
        ends("limits at most"), gauges.table[["lower_low", "upper_high"]]
    )
    dots = np.concatenate([c.get_offsets()[:, 0] for c in axes.collections])
    np.testing.assert_allclose(np.sort(dots), np.sort(gauges.bakes["difference"]))


def test_differences_stand_against_level_and_time(gauges: ps.GaugeComparison) -> None:
    figure = ps.plot_gauge_agreement(gauges)
    level, time = figure.axes[0], figure.axes[1]
    own = gauges.readings[gauges.readings["pit"] == "Quarry"]
    for axes in (level, time):
        drawn = np.concatenate(lines(axes, "readings"))
        np.testing.assert_allclose(np.sort(drawn), np.sort(own["difference"]))
        assert lines(axes, "bias")[0][0] == pytest.approx(gauges.table["bias"][0])
    heights = {round(float(np.ptp(axes.get_ylim())), 6) for axes in figure.axes}
    assert len(heights) == 1


def test_means_only_have_dots_and_no_time(gauges: ps.GaugeComparison) -> None:
    bare = replace(gauges, readings=gauges.readings.iloc[:0])
    figure = ps.plot_gauge_agreement(bare)
    assert len(figure.axes) == 2
    assert figure.axes[0].collections[0].get_offsets().shape == (4, 2)


def test_one_bake_of_one_reading_can_be_drawn(summary: ps.ProbeSummary) -> None:
    study = ps.demo_study("probed_pits")
    one = study.probes.iloc[[20]]
    single = ps.summarize_probes(replace(study, probes=one))
    figure = ps.plot_series(single)
    assert len(figure.axes) == 1
    assert figure.axes[0].lines[0].get_marker() == "o"


def handles_of(figure: Figure) -> dict[str, tuple[object, object]]:
    """Line and mark of each entry of the legend."""
    (legend,) = figure.legends
    return {
        handle.get_label(): (handle.get_linestyle(), handle.get_marker())
        for handle in legend.legend_handles
        if isinstance(handle, Line2D)
    }


def few_readings(
    summary: ps.ProbeSummary, few: dict[bool, list[int]]
) -> ps.ProbeSummary:
    """Only some readings of the first grate probe and the lid of the first bake."""
    bake = summary.bakes["bake"].iloc[0]
    readings = summary.readings[summary.readings["bake"] == bake]
    kept = []
    for lid, rows in few.items():
        own = readings[readings["lid"] == lid]
        own = own[own["probe"] == own["probe"].iloc[0]]
        kept.append(own.iloc[rows])
    return replace(summary, bakes=summary.bakes.head(1), readings=pd.concat(kept))


def test_single_readings_of_lid_and_grate_differ_by_shape(
    summary: ps.ProbeSummary,
) -> None:
    figure = ps.plot_series(few_readings(summary, {False: [5], True: [5]}))
    marks = {
        line.get_gid(): (line.get_marker(), line.get_markerfacecolor())
        for line in figure.axes[0].lines
        if line.get_gid() in ("lid", "probe")
    }
    assert marks["lid"] == ("s", "none")
    assert marks["probe"][0] == "o"
    handles = handles_of(figure)
    assert handles["lid gauge"] == ("None", "s")
    assert handles["near the firebox"] == ("None", "o")


def test_readings_between_gaps_are_marked(summary: ps.ProbeSummary) -> None:
    few = few_readings(summary, {False: [0, 1, 2, 3, 30, 50, 51], True: [1, 2, 3]})
    figure = ps.plot_series(few)
    probe, lid = (
        next(line for line in figure.axes[0].lines if line.get_gid() == gid)
        for gid in ("probe", "lid")
    )
    at = np.asarray(probe.get_xdata())[probe.get_markevery()]
    assert at.tolist() == [few.readings["minute"].iloc[4]]
    assert lid.get_marker() == "None"
    handles = handles_of(figure)
    assert handles["single grate reading"] == ("None", "o")
    assert handles["near the firebox"] == ("-", "None")
    assert handles["lid gauge"] == ("--", "None")
    assert "single lid reading" not in handles


def test_more_bakes_than_can_be_read_are_counted(summary: ps.ProbeSummary) -> None:
    many = replace(
        summary,
        bakes=pd.concat([summary.bakes] * 4, ignore_index=True),
        readings=summary.readings.iloc[:100],
    )
    assert len(ps.plot_series(many).axes) == MOST_PANELS
    assert panels_sentence(many) == "The picture shows the first 24 bakes of 32."
    assert panels_sentence(summary) == ""
