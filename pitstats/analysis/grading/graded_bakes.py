"""Items of every bake by the grade of the face that decides, and of the palest face."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.errors import DesignError
from pitstats.study.grading import deciding_code, face_codes, palest_code
from pitstats.study.outcomes import item_outcomes
from pitstats.study.study import Study


@dataclass(frozen=True, kw_only=True, eq=False)
class GradedBakes:
    """Counts by grade of the kept bakes whose items were graded.

    Attributes
    ----------
    bakes : pandas.DataFrame
        ``bake, pit, session, n_items, n_good``, one row per bake.
    pits : tuple of str
        Pits with graded items, in the order of the study.
    deciding, palest : ndarray of int, shape (bakes, grades)
        Items by the grade of the deciding face, and of the palest recorded face.
    one_face : bool
        Whether both are the same for every item, so that one scale holds all.
    """

    bakes: pd.DataFrame
    pits: tuple[str, ...]
    deciding: NDArray[np.intp]
    palest: NDArray[np.intp]
    one_face: bool

    @property
    def pit_code(self) -> NDArray[np.intp]:
        """Place of each bake's pit in ``pits``."""
        code = {pit: i for i, pit in enumerate(self.pits)}
        return np.array([code[pit] for pit in self.bakes["pit"]], dtype=np.intp)

    @property
    def n_bakes(self) -> pd.Series:
        """Bakes of each pit."""
        return self.bakes["pit"].value_counts()[[*self.pits]]

    def by_pit(self, items: NDArray[np.intp]) -> NDArray[np.intp]:
        """Sum over the bakes of each pit."""
        total = np.zeros((len(self.pits), *items.shape[1:]), dtype=np.intp)
        np.add.at(total, self.pit_code, items)
        return total


def count_graded_bakes(study: Study) -> GradedBakes:
    """Count the graded items of every kept bake by grade, or say why there are none."""
    items, settings = item_outcomes(study), study.settings
    codes = face_codes(items, settings)
    deciding, palest = deciding_code(codes, settings), palest_code(codes)
    used = ~np.isnan(deciding) & items["burned"].notna().to_numpy()
    if not used.any():
        raise DesignError(
            "No kept bake has items with a grade on the face that decides, so there is "
            "no grade scale to compare. Fill in the grades in the table items."
        )
    own, dark, pale = items[used], deciding[used], palest[used]
    bakes = own.groupby("bake", sort=False)[["pit", "session"]].first()
    by_bake = own.groupby("bake", sort=False)["good"]
    bakes["n_items"] = by_bake.size()
    bakes["n_good"] = by_bake.sum().astype(int)
    graded = set(bakes["pit"])
    return GradedBakes(
        bakes=bakes.reset_index(),
        pits=tuple(pit for pit in study.pits["pit"] if pit in graded),
        deciding=tally_grades(own["bake"], dark, len(settings.grades)),
        palest=tally_grades(own["bake"], pale, len(settings.grades)),
        one_face=bool((dark == pale).all()),
    )


def tally_grades(
    bake: pd.Series, code: NDArray[np.float64], n_grades: int
) -> NDArray[np.intp]:
    """Items by bake, in order of first appearance, and grade."""
    counts = np.zeros((bake.nunique(), n_grades), dtype=np.intp)
    np.add.at(counts, (pd.factorize(bake)[0], code.astype(np.intp)), 1)
    return counts
