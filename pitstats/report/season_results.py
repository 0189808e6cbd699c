"""Everything that is worked out from a season, each thing once and when asked for."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import pandas as pd

from pitstats.analysis.season.estimate import SeasonEstimate, estimate_season
from pitstats.analysis.season.graders import season_graders
from pitstats.analysis.season.progress import (
    season_change,
    season_progress,
    season_repeatability,
)
from pitstats.analysis.season.read import Season
from pitstats.analysis.season.spread import earlier_spread
from pitstats.errors import DesignError


@dataclass(frozen=True, eq=False)
class SeasonResults:
    """Results of one season for the sections of a page.

    Parameters
    ----------
    season : Season
        From `read_season`.
    conf_level : float, default 0.95
        Between 0 and 1.
    days_alike : bool, default False
        Compare also pits that nothing links, as if all days had been alike.

    Examples
    --------
    >>> import pitstats as ps
    >>> results = ps.SeasonResults(ps.demo_season())
    >>> ps.ask.season_pairs(results).question
    'Which pit burns more?'
    """

    season: Season
    conf_level: float = 0.95
    days_alike: bool = False

    @property
    def about(self) -> str:
        """What pages of this season are about, to tell them apart."""
        return f"season {self.season.name}"

    @cached_property
    def estimate(self) -> SeasonEstimate:
        """Rates over the season, and pits compared."""
        level = self.conf_level
        return estimate_season(self.season, level, days_alike=self.days_alike)

    @cached_property
    def progress(self) -> pd.DataFrame:
        """The estimates again after each study."""
        level = self.conf_level
        return season_progress(self.season, level, estimate=self.estimate)

    @cached_property
    def change(self) -> pd.DataFrame:
        """The later half of each pit's studies against the earlier."""
        return season_change(self.season, self.conf_level)

    @cached_property
    def repeatability(self) -> pd.DataFrame:
        """Spread between bakes by pit and by tender."""
        level = self.conf_level
        return season_repeatability(self.season, level, estimate=self.estimate)

    @cached_property
    def graders(self) -> pd.DataFrame:
        """Graders compared on the items that were graded twice."""
        return season_graders(self.season, self.conf_level)

    @cached_property
    def lent(self) -> tuple[float, float] | None:
        """Spread and factor that the next plan may borrow, if the bakes know them."""
        try:
            return earlier_spread([self.season])
        except DesignError:
            return None
