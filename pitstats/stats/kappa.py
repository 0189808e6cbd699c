"""Agreement of graders beyond chance: Cohen's kappa, plain or weighted, and Fleiss'."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pitstats.stats.binomial_data import check_conf_level, whole_numbers

Array: TypeAlias = NDArray[np.float64]
Weights: TypeAlias = Literal["linear", "quadratic"] | ArrayLike | None
IntervalKind: TypeAlias = Literal[
    "large sample", "jackknife over clusters", "jackknife over items", "bound", "none"
]

# A jackknife over two clusters has one degree of freedom and says nothing.
_FEWEST_CLUSTERS = 3
_ROUNDING = 1e-12
_ONE_SIDED = (
    "One of the two gradings put all items into one category; kappa is then 0 whatever "
    "the other one says, so it has no interval."
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Kappa:
    """Agreement beyond chance, and what it rests on.

    Attributes
    ----------
    estimate : float
        1 for full agreement, 0 for that of chance, negative for less; NaN where it is
        not defined.
    low, high : float
        Interval, never above 1.
    std_error : float
        Standard error behind the interval; NaN with the interval ``"bound"``.
    std_error_null, z_value, p_value : float
        Standard error if there were only chance agreement, and the two-sided test of
        that; items count as independent in it.
    observed, expected : float
        Share of agreement seen, and expected by chance from the margins (weighted
        shares with weights).
    n_items : int
        Items graded more than once.
    n_clusters : int
        Clusters (bakes) of these items; 0 when none were given.
    table : ndarray of int, shape (categories, categories)
        Items by first (rows) and second grading; of `fleiss_kappa`, items by category.
    categories : tuple
        Names of its rows.
    interval : str
        ``"large sample"``, ``"jackknife over clusters"``, ``"jackknife over items"``,
        ``"bound"`` (full agreement) or ``"none"``.
    note : str
        What to know about this value; empty if there is nothing.
    conf_level : float
        Level of the interval.
    """

    estimate: float
    low: float
    high: float
    std_error: float
    std_error_null: float
    z_value: float
    p_value: float
    observed: float
    expected: float
    n_items: int
    n_clusters: int
    table: NDArray[np.intp]
    categories: tuple[Any, ...]
    interval: IntervalKind
    note: str
    conf_level: float

    @property
    def kappa(self) -> float:
        """The estimate, by its usual name."""
        return self.estimate


def cohen_kappa(
    first: ArrayLike,
    second: ArrayLike | None = None,
    *,
    weights: Weights = None,
    categories: Sequence[Any] | None = None,
    cluster: ArrayLike | None = None,
    conf_level: float = 0.95,
) -> Kappa:
    """Cohen's kappa of two gradings, plain or weighted, with its interval.

    Parameters
    ----------
    first : array_like, shape (items,) or (categories, categories)
        First grading of every item; or, without ``second``, the table of counts with
        the first grading in rows.
    second : array_like, shape (items,), optional
        Second grading of the same items.
    weights : {"linear", "quadratic"} or array_like, optional
        How grave a disagreement is: by the number of steps, by its square, or as
        stated. Own weights are a table of shape (categories, categories) that is 0
        where both agree and larger the graver the disagreement, or one score per
        category, whose distance counts. Without weights all disagreements are alike.
    categories : sequence, optional
        All categories, in order. The distinct values found, sorted, when not given;
        needed for weights with gradings in words.
    cluster : array_like, shape (items,), optional
        What items share, such as their bake: the interval then comes from leaving out
        one cluster at a time.
    conf_level : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    Kappa
        NaN with a ``note`` where agreement by chance alone would be full, as when all
        gradings fall into one category; without an interval where one of the two
        gradings does.

    Raises
    ------
    ValueError
        If the shapes do not go together, a grading is missing or unknown, or weights
        are not weights of disagreement.

    Notes
    -----
    With ``o`` and ``e`` the (weighted) agreement observed and expected from the
    margins, kappa is ``(o - e) / (1 - e)`` [1]_ [2]_. The large-sample standard error
    is that of [3]_, with the normal interval cut at 1; it takes items as independent.
    Items that share a fire are not quite: with ``cluster`` the interval is a
    delete-one-cluster jackknife [4]_ with Student's t on clusters - 1 degrees of
    freedom, which needs three clusters; compare [5]_ for clustered gradings.

    With full agreement every standard error is 0, yet an interval without width would
    claim too much. The lower end is then kappa at the upper exact limit of the share of
    items graded differently, by one step where weights are given; the standard error is
    NaN.

    R equivalent: ``irr::kappa2`` gives the same values and the test against chance.

    References
    ----------
    .. [1] Cohen J (1960), A coefficient of agreement for nominal scales, Educational
       and Psychological Measurement 20:37-46.
    .. [2] Cohen J (1968), Weighted kappa, Psychological Bulletin 70:213-220.
    .. [3] Fleiss JL, Cohen J, Everitt BS (1969), Large sample standard errors of kappa
       and weighted kappa, Psychological Bulletin 72:323-327.
    .. [4] Efron B, Stein C (1981), The jackknife estimate of variance, Annals of
       Statistics 9:586-596.
    .. [5] Yang Z, Zhou M (2014), Kappa statistic for clustered matched-pair data,
       Statistics in Medicine 33:2612-2633.

    Examples
    --------
    A table that is widely reprinted (Fleiss 1981, chapter 13):

    >>> found = cohen_kappa([[75, 1, 4], [5, 4, 1], [0, 0, 10]])
    >>> round(found.estimate, 3), round(found.std_error_null, 3)
    (0.676, 0.076)
    """
    check_conf_level(conf_level)
    if second is None:
        table, names = _square_table(first, categories)
        if cluster is not None:
            raise ValueError(
                "a table of counts does not tell which item belongs to which cluster; "
                "give both gradings item by item"
            )
        codes = None
    else:
        codes, names = _codes(first, second, weights, categories)
        table = _counts(codes, len(names))
    loss = _loss(weights, len(names))
    n = int(table.sum())
    if n == 0:
        return _undefined(table, names, conf_level, "No item was graded twice.")
    parts = _parts(table / n, loss)
    if parts.expected_loss < _ROUNDING:
        note = "All gradings fall into one category, so kappa is not defined."
        return _undefined(table, names, conf_level, note, n_items=n)
    groups = None if codes is None else _groups(cluster, n)
    interval = _cohen_interval(table, parts, codes, groups, conf_level)
    null_error = _null_error(parts, n)
    z, p = _against_chance(parts.kappa, null_error)
    return Kappa(
        estimate=parts.kappa,
        low=interval.low,
        high=interval.high,
        std_error=interval.std_error,
        std_error_null=null_error,
        z_value=z,
        p_value=p,
        observed=1 - parts.observed_loss,
        expected=1 - parts.expected_loss,
        n_items=n,
        n_clusters=_number_of(groups),
        table=table,
        categories=names,
        interval=interval.kind,
        note=interval.note,
        conf_level=conf_level,
    )


def fleiss_kappa(
    counts: ArrayLike,
    *,
    categories: Sequence[Any] | None = None,
    cluster: ArrayLike | None = None,
    conf_level: float = 0.95,
) -> Kappa:
    """Fleiss' kappa of several gradings of every item, with its interval.

    Parameters
    ----------
    counts : array_like of int, shape (items, categories)
        How many of the gradings of an item fell into each category; at least two per
        item, usually as many for every item.
    categories : sequence, optional
        Names of the columns.
    cluster : array_like, shape (items,), optional
        What items share, such as their bake; the interval then leaves out one cluster
        at a time instead of one item.
    conf_level : float, default 0.95
        Between 0 and 1.

    Returns
    -------
    Kappa
        ``table`` holds the counts. The test against chance is NaN unless every item
        has as many gradings.

    Raises
    ------
    ValueError
        If an item has fewer than two gradings, or shapes do not go together.

    Notes
    -----
    ``(P - E) / (1 - E)`` with ``P`` the mean share of agreeing pairs of gradings of an
    item and ``E`` the sum of the squared shares of the categories [1]_; with unequal
    numbers of gradings every item counts alike in both. Standard error against chance
    after [2]_; the interval is a jackknife [3]_ with Student's t.

    R equivalent: ``irr::kappam.fleiss``.

    References
    ----------
    .. [1] Fleiss JL (1971), Measuring nominal scale agreement among many raters,
       Psychological Bulletin 76:378-382.
    .. [2] Fleiss JL, Nee JCM, Landis JR (1979), Large sample variance of kappa in the
       case of different sets of raters, Psychological Bulletin 86:974-977.
    .. [3] Efron B, Stein C (1981), The jackknife estimate of variance, Annals of
       Statistics 9:586-596.

    Examples
    --------
    Three gradings of four items into two categories:

    >>> round(fleiss_kappa([[3, 0], [0, 3], [2, 1], [3, 0]]).estimate, 3)
    0.625
    """
    check_conf_level(conf_level)
    table = whole_numbers(counts, "counts")
    if table.ndim != 2:
        raise ValueError(
            "counts must have one row per item and one column per category"
        )
    names = _names(categories, table.shape[1])
    gradings = table.sum(axis=1)
    if np.any(gradings < 2):
        row = int(np.argmax(gradings < 2))
        raise ValueError(
            f"item {row} has {gradings[row]} gradings; agreement needs two or more"
        )
    if not len(table):
        return _undefined(table, names, conf_level, "No item was graded twice.")
    agree, share = _fleiss_rows(table)
    estimate = _fleiss_value(agree, share)
    if np.isnan(estimate):
        note = "All gradings fall into one category, so kappa is not defined."
        return _undefined(table, names, conf_level, note, n_items=len(table))
    groups = _groups(cluster, len(table))
    interval = _fleiss_interval(agree, share, estimate, groups, conf_level)
    null_error = _fleiss_null_error(gradings, share)
    z, p = _against_chance(estimate, null_error)
    return Kappa(
        estimate=estimate,
        low=interval.low,
        high=interval.high,
        std_error=interval.std_error,
        std_error_null=null_error,
        z_value=z,
        p_value=p,
        observed=float(agree.mean()),
        expected=float((share.mean(axis=0) ** 2).sum()),
        n_items=len(table),
        n_clusters=_number_of(groups),
        table=table,
        categories=names,
        interval=interval.kind,
        note=interval.note,
        conf_level=conf_level,
    )


# --- reading ------------------------------------------------------------------------


def _square_table(
    table: ArrayLike, categories: Sequence[Any] | None
) -> tuple[NDArray[np.intp], tuple[Any, ...]]:
    counts = whole_numbers(table, "the table")
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1]:
        raise ValueError(
            f"the table has shape {counts.shape}; give as many rows as columns, or two "
            "gradings of the same items"
        )
    return counts, _names(categories, len(counts))


def _names(categories: Sequence[Any] | None, size: int) -> tuple[Any, ...]:
    names = tuple(range(size) if categories is None else categories)
    if len(names) != size:
        raise ValueError(
            f"there are {len(names)} categories but {size} columns of counts"
        )
    return names


def _codes(
    first: ArrayLike,
    second: ArrayLike,
    weights: Weights,
    categories: Sequence[Any] | None,
) -> tuple[NDArray[np.intp], tuple[Any, ...]]:
    """Both gradings as positions in the list of categories, shape (items, 2)."""
    pair = [np.asarray(first), np.asarray(second)]
    if pair[0].ndim != 1 or pair[0].shape != pair[1].shape:
        raise ValueError(
            f"the gradings have shapes {pair[0].shape} and {pair[1].shape}; give one "
            "entry per item in each"
        )
    values = [value for side in pair for value in side.tolist()]
    if any(value is None or value != value for value in values):
        raise ValueError("a grading is missing; leave out items not graded twice")
    if categories is None:
        if weights is not None and any(isinstance(value, str) for value in values):
            raise ValueError(
                "weights need the order of the categories; give categories, from one "
                "end of the scale to the other"
            )
        categories = sorted(set(values))
    place = {name: i for i, name in enumerate(categories)}
    unknown = [value for value in values if value not in place]
    if unknown:
        raise ValueError(
            f"grading {unknown[0]!r} is not one of the categories "
            f"{', '.join(map(str, categories))}"
        )
    codes = np.array([place[value] for value in values], dtype=np.intp)
    return codes.reshape(2, -1).T, tuple(categories)


def _counts(codes: NDArray[np.intp], size: int) -> NDArray[np.intp]:
    cell = codes[:, 0] * size + codes[:, 1]
    return np.bincount(cell, minlength=size * size).reshape(size, size)


def _loss(weights: Weights, size: int) -> Array:
    """Weights of disagreement, 0 to 1."""
    if weights is None:
        return 1.0 - np.eye(size)
    step = np.abs(np.subtract.outer(np.arange(size), np.arange(size))).astype(float)
    if isinstance(weights, str):
        if weights not in ("linear", "quadratic"):
            raise ValueError(
                f"weights is {weights!r}; it must be 'linear', 'quadratic', a table of "
                "weights or one score per category"
            )
        loss = step if weights == "linear" else step**2
    else:
        loss = np.asarray(weights, dtype=float)
        if loss.shape == (size,):
            loss = np.abs(np.subtract.outer(loss, loss))
        _check_loss(loss, size)
    largest = float(loss.max(initial=0.0))
    return loss / largest if largest > 0 else loss


def _check_loss(loss: Array, size: int) -> None:
    if loss.shape != (size, size):
        raise ValueError(
            f"weights have shape {loss.shape}; give one score per category or a table "
            f"of shape {(size, size)}"
        )
    if not np.isfinite(loss).all() or np.any(loss < 0) or np.any(np.diag(loss) != 0):
        raise ValueError(
            "weights are of disagreement: 0 where both gradings agree, above 0 "
            "elsewhere; weights of agreement turn into them when they are subtracted "
            "from the largest"
        )
    if size > 1 and not loss.any():
        raise ValueError("all weights are 0, so that no disagreement would count")


def _groups(cluster: ArrayLike | None, n: int) -> NDArray[np.intp] | None:
    if cluster is None:
        return None
    labels = np.asarray(cluster)
    if labels.shape != (n,):
        raise ValueError(
            f"cluster has shape {labels.shape}; give one entry for each of {n} items"
        )
    return np.unique(labels.astype(str), return_inverse=True)[1].astype(np.intp)


def _number_of(groups: NDArray[np.intp] | None) -> int:
    return 0 if groups is None else int(groups.max()) + 1


# --- Cohen --------------------------------------------------------------------------


class _Parts(NamedTuple):
    """Shares, margins and losses of one table."""

    kappa: float
    observed_loss: float
    expected_loss: float
    share: Array
    chance: Array
    loss: Array


def _parts(share: Array, loss: Array) -> _Parts:
    chance = np.outer(share.sum(axis=1), share.sum(axis=0))
    observed, expected = float((loss * share).sum()), float((loss * chance).sum())
    kappa = 1 - observed / expected if expected >= _ROUNDING else np.nan
    return _Parts(float(kappa), observed, expected, share, chance, loss)


def _margin_agreement(parts: _Parts) -> Array:
    """Mean weight of agreement of each row plus that of each column."""
    rows, columns = parts.share.sum(axis=1), parts.share.sum(axis=0)
    agree = 1 - parts.loss
    return np.asarray(np.add.outer(agree @ columns, rows @ agree))


def _large_sample_error(parts: _Parts, n: int) -> float:
    """Fleiss, Cohen and Everitt (1969), equation 13."""
    kappa, expected = parts.kappa, 1 - parts.expected_loss
    gap = (1 - parts.loss) - _margin_agreement(parts) * (1 - kappa)
    variance = (parts.share * gap**2).sum() - (kappa - expected * (1 - kappa)) ** 2
    return float(np.sqrt(max(variance, 0.0) / n) / parts.expected_loss)


def _null_error(parts: _Parts, n: int) -> float:
    """Fleiss, Cohen and Everitt (1969), equation 14."""
    gap = (1 - parts.loss) - _margin_agreement(parts)
    variance = (parts.chance * gap**2).sum() - (1 - parts.expected_loss) ** 2
    return float(np.sqrt(max(variance, 0.0) / n) / parts.expected_loss)


def _against_chance(kappa: float, null_error: float) -> tuple[float, float]:
    from scipy.special import ndtr

    if not null_error > 0:
        return np.nan, np.nan
    z = kappa / null_error
    return float(z), float(2 * ndtr(-abs(z)))


# --- intervals ----------------------------------------------------------------------


class _Interval(NamedTuple):
    low: float
    high: float
    std_error: float
    kind: IntervalKind
    note: str = ""


def _cohen_interval(
    table: NDArray[np.intp],
    parts: _Parts,
    codes: NDArray[np.intp] | None,
    groups: NDArray[np.intp] | None,
    conf_level: float,
) -> _Interval:
    from scipy.special import ndtri

    n = int(table.sum())
    if 1 in (np.count_nonzero(table.sum(axis=0)), np.count_nonzero(table.sum(axis=1))):
        return _Interval(np.nan, np.nan, np.nan, "none", _ONE_SIDED)
    if parts.observed_loss < _ROUNDING:
        step = float(parts.loss[parts.loss > 0].min())
        return _bound(n, step / parts.expected_loss, conf_level)
    error = _large_sample_error(parts, n)
    reach = float(ndtri((1 + conf_level) / 2)) * error
    plain = _cut(parts.kappa, reach, error, "large sample")
    if codes is None or groups is None:
        return plain

    def without(group: int) -> float:
        left = _counts(codes[groups != group], len(table))
        return _parts(left / max(int(left.sum()), 1), parts.loss).kappa

    return _jackknife(
        without, parts.kappa, groups, conf_level, plain, "jackknife over clusters"
    )


def _bound(n: int, loss_ratio: float, conf_level: float) -> _Interval:
    """Interval after full agreement of n items."""
    share = 1 - ((1 - conf_level) / 2) ** (1 / n)
    return _Interval(
        max(1 - share * loss_ratio, -1.0),
        1.0,
        np.nan,
        "bound",
        "All gradings agree; the lower end allows for the disagreement that could have "
        f"been missed in {n} items, taken as independent.",
    )


def _cut(kappa: float, reach: float, error: float, kind: IntervalKind) -> _Interval:
    return _Interval(max(kappa - reach, -1.0), min(kappa + reach, 1.0), error, kind)


def _jackknife(
    without: Callable[[int], float],
    kappa: float,
    groups: NDArray[np.intp],
    conf_level: float,
    otherwise: _Interval,
    kind: IntervalKind,
) -> _Interval:
    """Student interval from leaving out one group at a time."""
    from scipy.special import stdtrit

    n = _number_of(groups)
    if n < _FEWEST_CLUSTERS:
        return otherwise._replace(
            note=f"With {n} clusters the interval takes items as independent."
        )
    values = np.array([without(group) for group in range(n)])
    error = float(np.sqrt((n - 1) / n * ((values - values.mean()) ** 2).sum()))
    if not error > 0:
        return otherwise._replace(
            note="Leaving out clusters changed nothing or left one category only; the "
            "interval takes items as independent."
        )
    reach = float(stdtrit(n - 1, (1 + conf_level) / 2)) * error
    return _cut(kappa, reach, error, kind)


# --- Fleiss -------------------------------------------------------------------------


def _fleiss_rows(table: NDArray[np.intp]) -> tuple[Array, Array]:
    """Share of agreeing pairs, and shares of the categories, of every item."""
    m = table.sum(axis=1).astype(float)
    agree = ((table.astype(float) ** 2).sum(axis=1) - m) / (m * (m - 1))
    return agree, table / m[:, None]


def _fleiss_value(agree: Array, share: Array) -> float:
    if not len(agree):
        return np.nan
    expected = float((share.mean(axis=0) ** 2).sum())
    if 1 - expected < _ROUNDING:
        return np.nan
    return float((agree.mean() - expected) / (1 - expected))


def _fleiss_interval(
    agree: Array,
    share: Array,
    estimate: float,
    groups: NDArray[np.intp] | None,
    conf_level: float,
) -> _Interval:
    if np.all(agree > 1 - _ROUNDING):
        expected = float((share.mean(axis=0) ** 2).sum())
        return _bound(len(agree), 1 / (1 - expected), conf_level)
    none = _Interval(np.nan, np.nan, np.nan, "none", "Too few items for an interval.")
    items = np.arange(len(agree), dtype=np.intp)

    def by(labels: NDArray[np.intp]) -> Callable[[int], float]:
        return lambda group: _fleiss_value(
            agree[labels != group], share[labels != group]
        )

    own = _jackknife(
        by(items), estimate, items, conf_level, none, "jackknife over items"
    )
    if groups is None:
        return own
    return _jackknife(
        by(groups), estimate, groups, conf_level, own, "jackknife over clusters"
    )


def _fleiss_null_error(gradings: NDArray[np.intp], share: Array) -> float:
    """Fleiss, Nee and Landis (1979); for equal numbers of gradings."""
    if np.ptp(gradings):
        return np.nan
    n, m = len(gradings), int(gradings[0])
    p = share.mean(axis=0)
    spread = float((p * (1 - p)).sum())
    variance = spread**2 - float((p * (1 - p) * (1 - 2 * p)).sum())
    return float(np.sqrt(2 * max(variance, 0.0) / (n * m * (m - 1))) / spread)


def _undefined(
    table: NDArray[np.intp],
    names: tuple[Any, ...],
    conf_level: float,
    note: str,
    *,
    n_items: int = 0,
) -> Kappa:
    observed = 1.0 if n_items else np.nan
    return Kappa(
        estimate=np.nan,
        low=np.nan,
        high=np.nan,
        std_error=np.nan,
        std_error_null=np.nan,
        z_value=np.nan,
        p_value=np.nan,
        observed=observed,
        expected=observed,
        n_items=n_items,
        n_clusters=0,
        table=table,
        categories=names,
        interval="none",
        note=note,
        conf_level=conf_level,
    )
