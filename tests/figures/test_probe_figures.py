"""Pictures of probes and gauges hold the numbers of the results."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes

import pitstats as ps
from pitstats.figures.probes import MOST_PANELS
from pitstats.report.wording.probes import panels_sentence


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


def test_more_bakes_than_can_be_read_are_counted(summary: ps.ProbeSummary) -> None:
    many = replace(
        summary,
        bakes=pd.concat([summary.bakes] * 4, ignore_index=True),
        readings=summary.readings.iloc[:100],
    )
    assert len(ps.plot_series(many).axes) == MOST_PANELS
    assert panels_sentence(many) == "The picture shows the first 24 bakes of 32."
    assert panels_sentence(summary) == ""
