"""What earlier studies know of the spread between bakes, for the next plan."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from pitstats.analysis.season.read import Season, is_study, read_season
from pitstats.analysis.season.summary import burned_as
from pitstats.errors import DesignError
from pitstats.stats.borrowed_spread import repeated_bakes, spread_to_lend
from pitstats.study.files import read_study
from pitstats.study.outcomes import bake_totals
from pitstats.study.study import Study


def earlier_spread(
    studies: Iterable[Study | Season | str | Path],
) -> tuple[float, float]:
    """Spread between bakes of earlier studies, as a plan may borrow it.

    Parameters
    ----------
    studies : iterable of Study, Season or path-like
        Studies, seasons, or where they are: study folders, workbooks, folders of
        studies.

    Returns
    -------
    sd, factor : float
        Common level of the spread between bakes (SD, logit scale), and the factor, 1.5
        to 4, within which it is known (one SD of its log).

    Raises
    ------
    InvalidStudyError
        If a study has problems.
    DesignError
        If nothing is given, if the studies count burned items in different ways, or if
        they hold too few bakes: no pit with three in one study, nor two pits with two.

    Notes
    -----
    `stats.borrowed_spread.spread_to_lend`. Equal names are one pit, with one spread.
    Bakes are compared within a pit of one study, so that neither pits nor studies count
    as spread; sessions of a study do.

    Examples
    --------
    >>> import pitstats as ps
    >>> sd, factor = ps.earlier_spread([ps.demo_study("four_pits")])
    >>> 0.3 < sd < 1.0, 1.5 <= factor <= 4
    (True, True)
    """
    frames: list[pd.DataFrame] = []
    ways: dict[str, str] = {}
    for number, given in enumerate(studies):
        name, way, bakes = _bakes(given)
        ways.setdefault(way, name)
        frames.append(bakes.assign(study=f"{number} " + bakes["study"]))
    if not frames:
        raise DesignError("No earlier study is given. Name at least one.")
    if len(ways) > 1:
        told = "; ".join(f"{name}: {way}" for way, name in ways.items())
        raise DesignError(
            "The earlier studies count burned items in different ways, so their "
            f"spreads are not of one kind ({told}). Give studies of one kind."
        )
    bakes = pd.concat(frames)
    bakes = bakes[bakes["n_items"] > 0]
    sizes = bakes.groupby(["study", "pit"]).size().to_numpy()
    if repeated_bakes(sizes) < 2:
        raise DesignError(
            f"The earlier studies hold {len(bakes)} graded bakes, too few to know how "
            "far bakes of one pit scatter. It takes three bakes of one pit in one "
            "study, or two of each of two pits."
        )
    return spread_to_lend(
        bakes["n_burned"].to_numpy(dtype=int),
        bakes["n_items"].to_numpy(dtype=int),
        pd.factorize(bakes["pit"])[0],
        pd.factorize(bakes["study"])[0],
    )


def _bakes(given: Study | Season | str | Path) -> tuple[str, str, pd.DataFrame]:
    """Name, way of counting and bakes of what is given."""
    if isinstance(given, (str, Path)):
        path = Path(given)
        season = path.is_dir() and not is_study(path)
        given = read_season(path) if season else read_study(path)
    if isinstance(given, Season):
        return given.path.name, given.burned_as, given.bakes
    totals = bake_totals(given).assign(study="")
    return given.settings.title, burned_as(given.settings), totals
