"""What the analyses return: frozen results around tidy frames."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.study.html_text import notebook_html

if TYPE_CHECKING:
    from pitstats.analysis.rates.earlier import EarlierSpreadAnswer
    from pitstats.analysis.rates.looks import Look


class FrameResult:
    """A result around one tidy frame, shown with what it estimates and its caveats.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per group, term or contrast.
    estimand : str
        What the numbers estimate.
    caveats : tuple of str
        To be shown wherever the result is.
    """

    table: pd.DataFrame
    estimand: str
    caveats: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Return a copy of the table."""
        return self.table.copy()

    def _repr_html_(self) -> str:
        return notebook_html(self.estimand, self.table, self.caveats)


@dataclass(frozen=True, kw_only=True, eq=False)
class BurnRates(FrameResult):
    """Long-run share of items with an outcome, pit by pit, and what it rests on.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per pit: ``pit, n_bakes, n_items, n_burned, n_missing, estimate,
        conf_low, conf_high, effective_items``. ``n_items`` counts graded items,
        ``n_burned`` those with the outcome, ``estimate`` is the posterior mean.
        ``effective_items`` is NaN when every pit has a single bake.
    naive : pandas.DataFrame
        ``pit, conf_low, conf_high``: Wilson's interval if every item counted as
        independent. Shown only to say how far off that would be.
    missing_range : pandas.DataFrame
        ``pit, n_missing, observed, lowest, highest, conf_low, conf_high``: the
        observed share with missing items left out, the share if none or all of them
        had had the outcome, and the outer ends of the two intervals.
    find_missing_range : callable
        Works that out when it is asked for.
    bakes : pandas.DataFrame
        One row per kept bake: ``bake, pit, session, order, source, n_placed, n_items,
        n_burned, n_missing, share``.
    outcome : {"burned", "underbaked", "good"}
        What was counted.
    bake_sd : pandas.DataFrame
        How repeatable each pit is, one row per pit: ``pit, n_bakes, estimate,
        conf_low, conf_high`` of its SD between bakes on the logit scale. NaN for a pit
        with fewer than two bakes, which cannot show it.
    layout : {"as baked", "common"}
        What the rates are averaged over beside bakes: wherever the items lay, or the
        places that all pits share.
    sessions : int
        Sessions that hold bakes of two pits or more and whose effect is in the model;
        0 without such an effect.
    """

    table: pd.DataFrame
    naive: pd.DataFrame
    find_missing_range: Callable[[], pd.DataFrame] = field(repr=False)
    bakes: pd.DataFrame
    outcome: str
    bake_sd: pd.DataFrame
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]
    layout: str = "as baked"
    sessions: int = 0

    @cached_property
    def missing_range(self) -> pd.DataFrame:
        """Shares and outer interval ends if none or all missing items had it."""
        return self.find_missing_range()


class RateDraws(NamedTuple):
    """Joint posterior draws of the rates of several pits.

    Attributes
    ----------
    pits : tuple of str
        Pits, in the order of the columns.
    rates : ndarray, shape (draws, pits)
        Long-run burn rates.
    weights : ndarray, shape (draws,)
        Weights of the draws; they sum to 1.
    bake_sd : ndarray, shape (draws, pits)
        Spread between bakes of each pit, logit scale.
    session_sd : ndarray, shape (draws,)
        Spread between sessions, logit scale; 0 without such an effect.
    """

    pits: tuple[str, ...]
    rates: NDArray[np.floating[Any]]
    weights: NDArray[np.floating[Any]]
    bake_sd: NDArray[np.floating[Any]]
    session_sd: NDArray[np.floating[Any]]


@dataclass(frozen=True, kw_only=True, eq=False)
class PitComparison(FrameResult):
    """All pairs of pits: difference of long-run burn rates, and the verdict.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per pair: ``pit_a, pit_b, estimate, conf_low, conf_high,
        simultaneous_low, simultaneous_high, p_value, p_adjusted, verdict``;
        ``estimate`` = rate of ``pit_a`` - rate of ``pit_b``.
    naive : pandas.DataFrame
        ``pit_a, pit_b, conf_low, conf_high``: Newcombe's interval if every item
        counted as independent and no allowance were made for the number of pairs.
    n_bakes : pandas.Series
        Kept bakes per pit.
    layout : str
        ``"as baked"``, ``"common"`` or ``"own"``: what the rates are averaged over.
    margin : float or None
        Smallest difference that would change advice, as stated before the bake.
    rates : pandas.DataFrame
        Rates of the pits over the layout, with the columns of `BurnRates.table`.
    formula : str or None
        The model that was used; None when the rates come from counts alone.
    layout_note, session_note : str
        What the layout is, and whether sessions are in the model, in a sentence.
    cells : pandas.DataFrame or None
        Places of the layout with their weights.
    support : pandas.DataFrame or None
        ``pit, grate, distance, cell_weight, n_items``: graded items that each pit has
        at each place of the layout.
    sessions : int
        Sessions that hold bakes of two pits or more and whose effect is in the model;
        0 without such an effect. With two such sessions or more it always is.
    bake_sd : pandas.DataFrame or None
        SD between bakes of each pit in the model, with the columns of
        `BurnRates.bake_sd`.
    draws : RateDraws or None
        Joint posterior draws of the rates, where a model gave them.
    earlier : EarlierSpreadAnswer or None
        Both answers where a spread was borrowed from earlier tests.
    look : Look or None
        Which look at the study this is; None when a level was asked for.
    """

    table: pd.DataFrame
    naive: pd.DataFrame
    n_bakes: pd.Series
    layout: str
    margin: float | None
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]
    rates: pd.DataFrame = field(repr=False)
    formula: str | None = None
    layout_note: str = ""
    session_note: str = ""
    sessions: int = 0
    cells: pd.DataFrame | None = field(default=None, repr=False)
    support: pd.DataFrame | None = field(default=None, repr=False)
    bake_sd: pd.DataFrame | None = field(default=None, repr=False)
    draws: RateDraws | None = field(default=None, repr=False)
    earlier: EarlierSpreadAnswer | None = None
    look: Look | None = None

    @property
    def one_bake_each(self) -> bool:
        """Whether no pit was baked more than once, so that no verdict is given."""
        return bool((self.table["verdict"] == "one bake each").any())


class PartTables(NamedTuple):
    """Tables of one question of evenness, and what to say about them."""

    table: pd.DataFrame
    differences: pd.DataFrame
    caveats: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Evenness(FrameResult):
    """How evenly each pit burns: along its grates, between grates and between faces.

    Attributes
    ----------
    table : pandas.DataFrame
        One row per pit: ``pit, near, middle, far, near_minus_far, conf_low,
        conf_high`` and ``near_low, near_high, middle_low, middle_high, far_low,
        far_high``: long-run burn rates in the firebox third, the middle third and the
        far third of the pit's own grates, and the fall from near to far with its
        interval. NaN where a third had no graded items.
    differences : pandas.DataFrame
        Fall of ``pit_a`` less fall of ``pit_b`` for all pairs, with the columns of
        `PitComparison.table`.
    grates : pandas.DataFrame
        One row per pit with two grates or more: ``pit, lower_grate, upper_grate,
        lower, upper, upper_minus_lower, conf_low, conf_high`` and ``lower_low,
        lower_high, upper_low, upper_high``; both grates over the same distances.
    grate_differences : pandas.DataFrame
        ``upper_minus_lower`` of ``pit_a`` less that of ``pit_b``.
    faces : pandas.DataFrame
        One row per pit with top and bottom graded: ``pit, n_items, top, bottom,
        bottom_minus_top, conf_low, conf_high`` and ``top_low, top_high, bottom_low,
        bottom_high``.
    part_faces : callable
        Works out the table of faces when it is asked for.
    n_bakes : pandas.Series
        Bakes with graded items on known places, per pit; with a single one the
        numbers speak of that bake.
    """

    table: pd.DataFrame
    differences: pd.DataFrame
    grates: pd.DataFrame
    grate_differences: pd.DataFrame
    part_faces: Callable[[], PartTables] = field(repr=False)
    n_bakes: pd.Series
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]

    @property
    def faces(self) -> pd.DataFrame:
        """Bottom against top face, pit by pit."""
        return self._face_tables.table

    @property
    def face_caveats(self) -> tuple[str, ...]:
        """What to say wherever a table of faces is shown."""
        return self._face_tables.caveats

    @cached_property
    def _face_tables(self) -> PartTables:
        # Paired faces say the same more sharply: few ask for these.
        return self.part_faces()


@dataclass(frozen=True, kw_only=True, eq=False)
class SettingEffect(FrameResult):
    """What a setting does within the pits in which it was varied.

    Attributes
    ----------
    table : pandas.DataFrame
        ``pit, from_value, to_value, adjusted_for, n_bakes_from, n_bakes_to,
        estimate, conf_low, conf_high, p_value, verdict``. ``estimate`` is the burn
        rate at ``to_value`` less that at ``from_value``, over the pit's own places.
        ``adjusted_for`` is empty or ``"grate_temp"``. The pit ``"all"`` stands for
        one effect common to the pits in which the setting varied. A pit in which it
        did not vary has NaN.
    column : str
        The setting.
    """

    table: pd.DataFrame
    column: str
    formula: str
    estimand: str
    method: str
    conf_level: float
    caveats: tuple[str, ...]
