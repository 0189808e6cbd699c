"""Can the grading be trusted? First gradings against second ones."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.grading.regrading import (
    UNNAMED,
    Regrading,
    join_regrades,
    merged_codes,
)
from pitstats.analysis.places.coverage import third_of_grate
from pitstats.analysis.rates.looks import checked_level
from pitstats.analysis.rates.two_layouts import BothWays, compare_both_ways
from pitstats.analysis.results import FrameResult
from pitstats.analysis.sensitivity.recount import (
    Recount,
    calls_of,
    row_of_outcome,
    set_beside,
    start_recount,
)
from pitstats.errors import DesignError
from pitstats.stats.intervals import wilson_interval
from pitstats.stats.kappa import Kappa, cohen_kappa, fleiss_kappa
from pitstats.study.grading import deciding_code
from pitstats.study.outcomes import item_outcomes
from pitstats.study.schema import FACES
from pitstats.study.settings import Settings
from pitstats.study.study import Study

ESTIMAND = "agreement of two gradings of the same items beyond chance"
METHOD = (
    "Cohen's kappa, plain and with weights by the number of grades apart; intervals by "
    "leaving out one bake at a time (Student's t), with fewer than three bakes the "
    "large-sample interval of Fleiss, Cohen and Everitt, and after full agreement a "
    "bound; both take items as independent"
)
DARKEST = "the darker grade of each item"
PALEST = "the paler grade of each item"

#: A second grading of at least this share is what gives a kappa worth quoting.
ENOUGH_SHARE = 0.2

FACES_UNEQUAL = (
    "The two graders did not record the same faces of {n} items; the deciding face is "
    "compared over the faces that both recorded."
)
NOT_KEPT = "{n} second gradings are of items of bakes that are not kept; left out."
OF_MISSING = (
    "{n} second gradings are of items that are missing by the record; left out."
)
REPEATED = (
    "{n} second gradings repeat one by the same grader; the first of them counts."
)
NOT_FILLED_IN = "{n} second gradings are listed without a grade."
FEW_REGRADED = (
    "{n} of {total} graded items were graded again, less than a fifth: the agreement "
    "is known only roughly."
)
NAMES_UNKNOWN = (
    "Who graded is not recorded throughout, so it is not known whether one person "
    "graded twice or two persons once each."
)


@dataclass(frozen=True, kw_only=True, eq=False)
class GradingAgreement(FrameResult):
    """How well second gradings agree with the first, and what that does to the answer.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per second grader and face: ``regrader, face`` ("top", "bottom",
        "side", "deciding", and "burned" for burned or not), ``same_person`` (yes, no
        or unknown), ``n_items, n_bakes, agree`` (share of equal grades), ``kappa,
        kappa_low, kappa_high, weighted_kappa, weighted_low, weighted_high, interval,
        note``. NaN where kappa is not defined; the note says why.
    confusion : pandas.DataFrame
        ``regrader, face, first, second, n_items``: every combination of grades.
    where : pandas.DataFrame
        ``regrader, by`` ("grade", "pit", "third"), ``group, n_items, n_differ, share,
        conf_low, conf_high, n_darker, n_paler, n_burned_changed``: where the deciding
        face was graded differently. The interval is Wilson's, with items as
        independent.
    burned : pandas.DataFrame
        ``regrader, n_items, n_changed, share, conf_low, conf_high, n_became_burned,
        n_no_longer_burned``: items whose burned flag the second grading changes.
    several : pandas.DataFrame
        Where at least two second graders graded the same items again, Fleiss' kappa of
        all gradings of them: ``face, n_graders, n_items, n_bakes, kappa, kappa_low,
        kappa_high, interval, note``; otherwise no rows.
    conclusions : pandas.DataFrame
        ``alternative`` (whose grades count), ``n_replaced`` (items with a second
        grade), ``n_kept_first`` (all others), ``counted`` (how), the columns of
        `Sensitivity.table` and ``reported_verdict``: the comparison with the grades of
        the second grader put in. Empty when fewer than two pits can be compared.
    n_regraded, n_graded : int
        Items graded again; graded items of kept bakes with a record by item.
    settings : Settings
        Of the study, for its grades and its deciding face.
    """

    table: pd.DataFrame
    confusion: pd.DataFrame
    where: pd.DataFrame
    burned: pd.DataFrame
    several: pd.DataFrame
    conclusions: pd.DataFrame
    n_regraded: int
    n_graded: int
    settings: Settings
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]


def compare_gradings(
    study: Study, *, both: BothWays | None = None, conf_level: float | None = None
) -> GradingAgreement:
    """Compare second gradings with the first ones.

    Parameters
    ----------
    study : Study
        A valid study with second gradings in ``regrades``.
    both : BothWays, optional
        The comparison of its pits, if it is at hand already.
    conf_level : float, optional
        Between 0 and 1; the level of ``both`` or the study's own when not given.

    Returns
    -------
    GradingAgreement
        Kappa per face, the tables of grades, where gradings differ, and what the
        comparison of the pits would have been.

    Raises
    ------
    DesignError
        If no item of a kept bake was graded twice.

    Notes
    -----
    See `stats.cohen_kappa` and `stats.fleiss_kappa` for the measures and their sources.
    Only items graded again change in the comparison; all others keep their first
    grade, so that it shows what was seen and extrapolates nothing.

    Examples
    --------
    >>> from dataclasses import replace
    >>> import pitstats as ps
    >>> study = ps.demo_study("one_bake_each")
    >>> again = study.items.head(12)[["code", "grade_top", "grade_bottom"]]
    >>> found = ps.compare_gradings(replace(study, regrades=again))
    >>> found.table["agree"].tolist()
    [1.0, 1.0, 1.0, 1.0]
    """
    regrading = join_regrades(study)
    if regrading.pairs.empty:
        raise DesignError(
            "No item of a kept bake was graded twice. Grade a fifth of the items "
            "again, shuffled, and enter the grades in the table regrades."
        )
    level = both.as_baked.conf_level if both is not None else None
    level = checked_level(study, level if conf_level is None else conf_level)
    calls = _burned_calls(study, regrading)
    n_regraded = int(regrading.pairs["item"].nunique())
    n_graded = int(item_outcomes(study)["burned"].notna().sum())
    return GradingAgreement(
        table=_agreement(study, regrading, calls, level),
        confusion=_confusion(study, regrading),
        where=_where(study, regrading, calls, level),
        burned=_burned(regrading, calls, level),
        several=_several(study, regrading, level),
        conclusions=_conclusions(study, regrading, both, level),
        n_regraded=n_regraded,
        n_graded=n_graded,
        settings=study.settings,
        estimand=ESTIMAND,
        method=METHOD,
        conf_level=level,
        caveats=_caveats(regrading, n_regraded, n_graded),
    )


def other_gradings(
    recount: Recount, regrading: Regrading
) -> list[tuple[str, int, NDArray[np.float64]]]:
    """Verdicts on all items if second gradings counted."""
    item = row_of_outcome(recount, regrading.pairs["item"].to_numpy())
    found = []
    for grader in regrading.graders:
        rows = regrading.of(grader)
        merged = merged_codes(recount.codes, regrading, item, rows)
        n = int((rows & (item >= 0)).sum())
        found.append((f"grades of {grader}", n, calls_of(recount, merged)))
    n = len(set(item[item >= 0]))
    for name, take in ((DARKEST, "darkest"), (PALEST, "palest")):
        merged = merged_codes(recount.codes, regrading, item, take=take)
        found.append((name, n, calls_of(recount, merged)))
    return found


# --- one face, one grader -------------------------------------------------------------


def _faces(
    study: Study, regrading: Regrading
) -> Iterator[tuple[str, NDArray[np.float64]]]:
    """Grades by both graders, shape (rows, 2), of each face and of the deciding one."""
    first, second = regrading.shared()
    for j, face in enumerate(FACES):
        if not np.isnan(first[:, j]).all():
            yield face, np.column_stack([first[:, j], second[:, j]])
    settings = study.settings
    deciding = [deciding_code(codes, settings) for codes in (first, second)]
    if not np.isnan(deciding[0]).all():
        yield "deciding", np.column_stack(deciding)


def _burned_calls(study: Study, regrading: Regrading) -> NDArray[np.float64]:
    """Burned or not by the first and by the second grading, shape (rows, 2).

    A face that was not graded again keeps its first grade.
    """
    settings = study.settings
    item = regrading.pairs["item"].to_numpy()
    first = item_outcomes(study)["burned"].to_numpy(dtype=float)[item]
    again = np.isnan(regrading.second)
    deciding = deciding_code(
        np.where(again, regrading.first, regrading.second), settings
    )
    bears = (
        ~again.all(axis=1)
        if settings.face == "worst"
        else ~again[:, FACES.index(settings.face)]
    )
    unknown = ~bears | np.isnan(deciding) | np.isnan(first)
    second = np.where(unknown, np.nan, deciding >= settings.burned_code)
    return np.column_stack([np.where(unknown, np.nan, first), second])


def _agreement(
    study: Study, regrading: Regrading, calls: NDArray[np.float64], level: float
) -> pd.DataFrame:
    scale = range(len(study.settings.grades))
    rows = []
    for grader in regrading.graders:
        own = regrading.of(grader)
        faces = [(*pair, scale) for pair in _faces(study, regrading)]
        for face, grades, categories in [*faces, ("burned", calls, range(2))]:
            known = own & ~np.isnan(grades).any(axis=1)
            if known.any():
                first, second = grades[known].astype(int).T
                bakes = regrading.pairs["bake"].to_numpy(dtype=str)[known]
                row = agreement_row(first, second, bakes, categories, level)
                rows.append(
                    {
                        "regrader": grader,
                        "face": face,
                        "same_person": _same_person(regrading, own),
                        **row,
                    }
                )
    return pd.DataFrame(rows)


def agreement_row(
    first: NDArray[np.intp],
    second: NDArray[np.intp],
    bakes: NDArray[np.str_],
    scale: range,
    level: float,
) -> dict[str, object]:
    """Agreement of two gradings of the same items, by kappa over bakes."""
    plain, weighted = (
        cohen_kappa(
            first,
            second,
            weights=weights,
            categories=scale,
            cluster=bakes,
            conf_level=level,
        )
        for weights in (None, "linear")
    )
    return {
        "n_items": len(first),
        "n_bakes": len(set(bakes)),
        "agree": float((first == second).mean()),
        "kappa": plain.estimate,
        "kappa_low": plain.low,
        "kappa_high": plain.high,
        "weighted_kappa": weighted.estimate,
        "weighted_low": weighted.low,
        "weighted_high": weighted.high,
        **_about_interval(plain),
    }


def _about_interval(kappa: Kappa) -> dict[str, str]:
    return {
        "interval": kappa.interval.replace("clusters", "bakes"),
        "note": kappa.note.replace("clusters", "bakes"),
    }


def _same_person(regrading: Regrading, rows: NDArray[np.bool_]) -> str:
    own = regrading.pairs[rows]
    if own["first_grader"].eq(UNNAMED).any() or own["regrader"].eq(UNNAMED).any():
        return "unknown"
    same = own["first_grader"] == own["regrader"]
    if same.all():
        return "yes"
    return "no" if not same.any() else "partly"


# --- tables of grades -----------------------------------------------------------------


def _confusion(study: Study, regrading: Regrading) -> pd.DataFrame:
    grades = study.settings.grades
    rows = []
    for grader in regrading.graders:
        own = regrading.of(grader)
        for face, pair in _faces(study, regrading):
            known = own & ~np.isnan(pair).any(axis=1)
            codes = pair[known].astype(int)
            for i, first in enumerate(grades):
                for j, second in enumerate(grades):
                    n = int(((codes[:, 0] == i) & (codes[:, 1] == j)).sum())
                    rows.append((grader, face, first, second, n))
    columns = ["regrader", "face", "first", "second", "n_items"]
    return pd.DataFrame(rows, columns=columns)


def _where(
    study: Study, regrading: Regrading, calls: NDArray[np.float64], level: float
) -> pd.DataFrame:
    grades = dict(_faces(study, regrading)).get("deciding")
    if grades is None:
        return pd.DataFrame()
    step = grades[:, 1] - grades[:, 0]
    names = np.array([*study.settings.grades, ""], dtype=object)
    pairs = regrading.pairs
    third = third_of_grate(pairs["distance"]).where(pairs["distance"].notna())
    frame = pd.DataFrame(
        {
            "regrader": pairs["regrader"],
            "grade": names[np.nan_to_num(grades[:, 0], nan=-1).astype(int)],
            "pit": pairs["pit"],
            "third": third,
            "n_differ": step != 0,
            "n_darker": step > 0,
            "n_paler": step < 0,
            "n_burned_changed": calls[:, 0] != calls[:, 1],
        }
    )[~np.isnan(step)]
    counted = ["n_differ", "n_darker", "n_paler", "n_burned_changed"]
    orders = {
        "grade": list(study.settings.grades),
        "pit": study.pits["pit"].tolist(),
        "third": ["near", "middle", "far"],
    }
    rows = []
    for grader in regrading.graders:
        own = frame[frame["regrader"] == grader]
        for by, order in orders.items():
            for group in order:
                part = own[own[by] == group]
                if len(part):
                    sums = {name: int(part[name].sum()) for name in counted}
                    rows.append(
                        {"regrader": grader, "by": by, "group": group}
                        | _share(sums["n_differ"], len(part), level)
                        | sums
                    )
    return pd.DataFrame(rows)


def _share(n: int, total: int, level: float) -> dict[str, float]:
    low, high = wilson_interval(n, total, level)
    return {
        "n_items": total,
        "share": n / total,
        "conf_low": float(low),
        "conf_high": float(high),
    }


def _burned(
    regrading: Regrading, calls: NDArray[np.float64], level: float
) -> pd.DataFrame:
    rows = []
    for grader in regrading.graders:
        own = calls[regrading.of(grader) & ~np.isnan(calls).any(axis=1)]
        if not len(own):
            continue
        became, stopped = (
            int((own[:, 1] > own[:, 0]).sum()),
            int((own[:, 1] < own[:, 0]).sum()),
        )
        rows.append(
            {"regrader": grader}
            | _share(became + stopped, len(own), level)
            | {
                "n_changed": became + stopped,
                "n_became_burned": became,
                "n_no_longer_burned": stopped,
            }
        )
    return pd.DataFrame(rows)


# --- several graders, and the answer --------------------------------------------------


_SEVERAL = [
    *("face", "n_graders", "n_items", "n_bakes"),
    *("kappa", "kappa_low", "kappa_high", "interval", "note"),
]


def _several(study: Study, regrading: Regrading, level: float) -> pd.DataFrame:
    graders = regrading.graders
    rows = []
    for face, pair in _faces(study, regrading) if len(graders) > 1 else ():
        counts, bakes = _all_gradings(regrading, pair, len(study.settings.grades))
        if not len(counts):
            continue
        found = fleiss_kappa(
            counts,
            categories=study.settings.grades,
            cluster=bakes,
            conf_level=level,
        )
        rows.append(
            {
                "face": face,
                "n_graders": len(graders) + 1,
                "n_items": found.n_items,
                "n_bakes": len(set(bakes)),
                "kappa": found.estimate,
                "kappa_low": found.low,
                "kappa_high": found.high,
                **_about_interval(found),
            }
        )
    return pd.DataFrame(rows, columns=_SEVERAL)


def _all_gradings(
    regrading: Regrading, pair: NDArray[np.float64], n_grades: int
) -> tuple[NDArray[np.intp], NDArray[np.str_]]:
    """Gradings by grade of the items that every second grader graded, and bakes."""
    known = ~np.isnan(pair).any(axis=1)
    own = regrading.pairs[known].assign(first=pair[known, 0], second=pair[known, 1])
    times = own.groupby("item")["regrader"].transform("nunique")
    own = own[times == len(regrading.graders)]
    counts, bakes = [], []
    for _, of_item in own.groupby("item", sort=True):
        grades = [of_item["first"].iloc[0], *of_item["second"]]
        counts.append(np.bincount(np.array(grades, dtype=int), minlength=n_grades))
        bakes.append(str(of_item["bake"].iloc[0]))
    table = np.array(counts, dtype=np.intp).reshape(-1, n_grades)
    return table, np.array(bakes, dtype=str)


def _conclusions(
    study: Study, regrading: Regrading, both: BothWays | None, level: float
) -> pd.DataFrame:
    try:
        if both is None or both.as_baked.conf_level != level:
            both = compare_both_ways(study, conf_level=level)
    except DesignError:
        return pd.DataFrame()
    recount = start_recount(study, both)
    base = recount.compare(recount.bakes())
    total = int(recount.bakes()["n_items"].sum())
    reported = {
        (a, b): verdict
        for a, b, verdict in both.leading.table[
            ["pit_a", "pit_b", "verdict"]
        ].itertuples(index=False)
    }
    frames = []
    for name, n, calls in other_gradings(recount, regrading):
        table = recount.compare(recount.bakes(calls))
        if len(table) and len(base):
            frame = set_beside(table, base)
            frame.insert(0, "alternative", name)
            frame.insert(1, "n_replaced", n)
            frame.insert(2, "n_kept_first", total - n)
            frame.insert(3, "counted", recount.counted)
            pairs = zip(frame["pit_a"], frame["pit_b"], strict=True)
            frame["reported_verdict"] = [reported[pair] for pair in pairs]
            frames.append(frame)
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def _caveats(regrading: Regrading, n_regraded: int, n_graded: int) -> tuple[str, ...]:
    found = []
    if n_regraded < ENOUGH_SHARE * n_graded:
        found.append(FEW_REGRADED.format(n=n_regraded, total=n_graded))
    names = regrading.pairs[["first_grader", "regrader"]]
    if (names == UNNAMED).any(axis=None):
        found.append(NAMES_UNKNOWN)
    unequal = np.isnan(regrading.first) != np.isnan(regrading.second)
    if unequal.any():
        found.append(FACES_UNEQUAL.format(n=int(unequal.any(axis=1).sum())))
    for text, n in (
        (NOT_FILLED_IN, regrading.n_empty),
        (NOT_KEPT, regrading.n_not_kept),
        (OF_MISSING, regrading.n_missing),
        (REPEATED, regrading.n_repeated),
    ):
        if n:
            found.append(text.format(n=n))
    return tuple(found)
