"""Top, bottom and fire side of the same items: which face burns, which is darker."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.places.coverage import third_of_grate
from pitstats.analysis.rates.looks import look_and_level
from pitstats.analysis.results import FrameResult
from pitstats.errors import DesignError
from pitstats.stats.paired import paired_differences
from pitstats.study.grading import face_codes
from pitstats.study.outcomes import item_outcomes
from pitstats.study.schema import FACES
from pitstats.study.study import Study

ESTIMAND = (
    "difference between two faces of the same items, mean over bakes: in the share "
    "burned on the face, and in the share of items that are darker on it"
)
METHOD = (
    "mean of the differences of bakes, Student's t over the pit's own bakes, at least "
    "as wide as Tango's (1998) score interval for all pairs"
)

_CONTRASTS = (("top", "bottom"), ("side", "top"))
_PARTS = ("all", "near", "middle", "far")

TOO_FEW_FACES = (
    "No kept bake has items of which two faces were graded. Grade top and bottom, or "
    "the side toward the fire, of every item."
)
THIRDS_POINTWISE = (
    "The intervals of the thirds are each for itself; read them together, not one "
    "picked out."
)
ONE_BAKE = (
    "{pit} has two graded faces from one bake: its intervals speak of that bake only, "
    "those of the other pits of bakes to come."
)
NO_PAIRS = "{pit} has no item with {first} and {second} both graded."


@dataclass(frozen=True, kw_only=True, eq=False)
class FaceComparison(FrameResult):
    """Two faces of the same items compared, pit by pit and third by third.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per contrast, pit and part (``"all"``, and the thirds ``"near"``,
        ``"middle"``, ``"far"`` where they hold items): ``contrast, first, second, pit,
        part, n_bakes, n_items``; ``first_burned, second_burned`` (shares of items with
        that face burned), ``burned_difference, burned_low, burned_high``;
        ``first_darker, second_darker`` (shares of items darker on that face),
        ``darker_difference, darker_low, darker_high``. Shares and differences are
        means over bakes, every bake weighing the same.
    n_bakes : pandas.Series
        Bakes with two graded faces, per pit. With one bake the numbers speak of it.
    """

    table: pd.DataFrame
    n_bakes: pd.Series
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]


def compare_faces(study: Study, conf_level: float | None = None) -> FaceComparison:
    """Compare two faces of the same items: top with bottom, fire side with top.

    Parameters
    ----------
    study : Study
        A valid study with two graded faces on some items.
    conf_level : float, optional
        Between 0 and 1. When not given, the study's own level or, where its record
        names several looks, the level of the present look.

    Returns
    -------
    FaceComparison

    Raises
    ------
    DesignError
        If no item has two graded faces.

    Notes
    -----
    Both faces of an item shared one bake and one place, so neither can make the
    difference. A face is darker if its grade is a later one; by how many steps does not
    count. See `stats.paired_differences` for the intervals.

    Examples
    --------
    >>> import pitstats as ps
    >>> faces = compare_faces(ps.demo_study("one_bake_each"))
    >>> faces.table.loc[faces.table["part"] == "all", "contrast"].tolist()
    ['top - bottom', 'top - bottom']
    """
    _, level = look_and_level(study, conf_level)
    items = item_outcomes(study)
    codes = graded_faces(study, items)
    rows, found = [], []
    for first, second in _CONTRASTS:
        pairs = _pairs(study, items, codes, first, second)
        if pairs.items.empty:
            continue
        found.append(pairs)
        own = pd.concat([_rows(study, pairs, part, level) for part in _PARTS])
        order = {pit: i for i, pit in enumerate(study.pits["pit"])}
        rows.append(own.sort_values("pit", key=lambda p: p.map(order), kind="stable"))
    if not found:
        raise DesignError(TOO_FEW_FACES)
    table = pd.concat(rows, ignore_index=True)
    n_bakes = (
        pd.concat([pairs.items for pairs in found]).groupby("pit")["bake"].nunique()
    ).reindex(study.pits["pit"], fill_value=0)
    return FaceComparison(
        table=table,
        n_bakes=n_bakes,
        estimand=ESTIMAND,
        method=METHOD,
        conf_level=level,
        caveats=_caveats(study, found, n_bakes),
    )


def graded_faces(study: Study, items: pd.DataFrame) -> NDArray[np.float64]:
    """Grades of top, bottom and side as numbers; none for items that are missing."""
    codes = face_codes(items, study.settings)
    undecided = f"{study.settings.face} not graded"
    lost = items["missing"].notna() & items["missing"].ne(undecided)
    codes[lost.to_numpy(dtype=bool)] = np.nan
    return codes


class _Pairs(NamedTuple):
    """Items of which both faces were graded, with what each pair shows."""

    first: str
    second: str
    items: pd.DataFrame


def _pairs(
    study: Study, items: pd.DataFrame, codes: np.ndarray, first: str, second: str
) -> _Pairs:
    one, two = codes[:, FACES.index(first)], codes[:, FACES.index(second)]
    both = ~np.isnan(one) & ~np.isnan(two)
    cut = study.settings.burned_code
    own = items.loc[both, ["bake", "pit", "distance"]]
    one, two = one[both], two[both]
    third = third_of_grate(own["distance"]).where(own["distance"].notna())
    frame = own.assign(
        third=third,
        first_burned=one >= cut,
        second_burned=two >= cut,
        first_only=(one >= cut) & (two < cut),
        second_only=(two >= cut) & (one < cut),
        first_darker=one > two,
        second_darker=two > one,
    )
    return _Pairs(first, second, frame)


def _rows(study: Study, pairs: _Pairs, part: str, level: float) -> pd.DataFrame:
    items = pairs.items
    if part != "all":
        items = items[items["third"] == part]
    pits = [pit for pit in study.pits["pit"] if pit in set(items["pit"])]
    code = {pit: i for i, pit in enumerate(pits)}
    groups = items.groupby(["bake", "pit"], sort=False)
    bakes = groups[["first_only", "second_only", "first_darker", "second_darker"]]
    sums = bakes.sum().assign(total=groups.size()).reset_index()
    table = pd.DataFrame(
        {
            "contrast": f"{pairs.first} - {pairs.second}",
            "first": pairs.first,
            "second": pairs.second,
            "pit": pd.Series(pits, dtype="str"),
            "part": part,
        }
    )
    for kind, alone in (("burned", "only"), ("darker", "darker")):
        found = paired_differences(
            sums[f"first_{alone}"],
            sums[f"second_{alone}"],
            sums["total"],
            sums["pit"].map(code),
            level,
        )
        shares = groups[[f"first_{kind}", f"second_{kind}"]].mean()
        of_pit = shares.groupby("pit", sort=False).mean().reindex(pits)
        table["n_bakes"], table["n_items"] = found.n_bakes, found.n_pairs
        for side in ("first", "second"):
            table[f"{side}_{kind}"] = of_pit[f"{side}_{kind}"].to_numpy()
        table[f"{kind}_difference"] = found.estimate
        table[f"{kind}_low"], table[f"{kind}_high"] = found.low, found.high
    return table


def _caveats(study: Study, found: list[_Pairs], n_bakes: pd.Series) -> tuple[str, ...]:
    once = n_bakes[n_bakes == 1].index.tolist() if n_bakes.max() > 1 else []
    said = [ONE_BAKE.format(pit=pit) for pit in once]
    for pairs in found:
        said += [
            NO_PAIRS.format(pit=pit, first=pairs.first, second=pairs.second)
            for pit in study.pits["pit"]
            if pit not in set(pairs.items["pit"])
        ]
    return (*said, THIRDS_POINTWISE)
