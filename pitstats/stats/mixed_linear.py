"""Linear regression with random group effects, by restricted maximum likelihood."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from pitstats.stats.binomial_data import (
    FloatArray,
    check_design,
    check_full_rank,
    column_names,
)
from pitstats.stats.linear_contrast import (
    DfMethod,
    MixedLinearFit,
    VarianceUncertainty,
    contrast_linear,
)
from pitstats.stats.nested_groups import (
    Covariance,
    Groups,
    GroupSums,
    find_groups,
    sum_groups,
)
from pitstats.stats.reml import Restricted, Slopes, maximize

# A share of the total below which a sum of squares is only rounding.
_ROUNDING = 1e-18
# Residual SD put in place of 0, as a share of the SD of y: small enough not to be seen
# in any result, large enough to keep the digits of the group part.
_STAND_IN = 1e-6


class _Data(NamedTuple):
    """Checked data: orthonormal columns and least squares residuals for y."""

    basis: FloatArray
    to_coef: FloatArray
    start: FloatArray
    residual: FloatArray
    groups: Groups
    sums: GroupSums
    log_det_x: float


class _Fitted(NamedTuple):
    """The top of the restricted likelihood, for orthonormal columns."""

    sigma2: float
    ratio: FloatArray
    coef: FloatArray
    inverse: FloatArray
    slopes: Slopes
    criterion: float
    residual_known: bool


def fit_mixed_linear(
    y: npt.ArrayLike,
    X: npt.ArrayLike,
    group: npt.ArrayLike,
    df: DfMethod = "kenward-roger",
    *,
    names: Sequence[str] | None = None,
) -> MixedLinearFit:
    """Fit a linear regression with random group effects by REML.

    Parameters
    ----------
    y : array_like, shape (n,)
        Readings, for example temperatures of cells.
    X : array_like, shape (n, p)
        Design matrix with its own intercept column.
    group : array_like, shape (n,) or (n, 2)
        Bake (or other group) of each reading. Two columns are two nested levels,
        outer first: session and bake, or bake and grate. A label of the inner level
        counts only within its outer group.
    df : {"kenward-roger", "satterthwaite"}, default "kenward-roger"
        Method for degrees of freedom. "kenward-roger" also widens the standard errors
        for not knowing the variances.
    names : sequence of str, optional
        Column names, used in messages.

    Returns
    -------
    MixedLinearFit
        Coefficients with standard errors and degrees of freedom, SD of groups and of
        readings within them.

    Raises
    ------
    ValueError
        If shapes do not fit, a value is missing, or columns of X determine each other.

    Notes
    -----
    ``y = X b + group effects + error``, effects and errors normal and independent,
    one variance per level for all groups. A variance of 0 is a result like any other:
    coefficients then equal least squares; Kenward-Roger still counts groups for the
    degrees of freedom of an effect between groups, Satterthwaite counts readings.

    Where the columns of X take up the differences between groups (one bake per pit),
    nothing can be learned about the group SD. It is NaN then, and so are standard
    errors of effects between groups; effects within groups keep theirs.

    Kenward-Roger after [1]_ in the form of [2]_; Satterthwaite after [3]_, for several
    contrasts at once [4]_, as in [5]_. R's lmer with lmerTest and pbkrtest gives the
    same numbers.

    References
    ----------
    .. [1] Kenward MG, Roger JH (1997), Small sample inference for fixed effects from
       restricted maximum likelihood, Biometrics 53:983-997.
    .. [2] Halekoh U, Hojsgaard S (2014), A Kenward-Roger approximation and parametric
       bootstrap methods for tests in linear mixed models, Journal of Statistical
       Software 59(9).
    .. [3] Giesbrecht FG, Burns JC (1985), Two-stage analysis based on a mixed model,
       Biometrics 41:477-486.
    .. [4] Fai AH, Cornelius PL (1996), Approximate F-tests of multiple degree of
       freedom hypotheses in generalized least squares analyses of unbalanced
       split-plot experiments, Journal of Statistical Computation and Simulation
       54:363-378.
    .. [5] Kuznetsova A, Brockhoff PB, Christensen RHB (2017), lmerTest package: tests
       in linear mixed effects models, Journal of Statistical Software 82(13).

    Examples
    --------
    Two pits with three bakes each, two readings a bake, in degrees:

    >>> temp = [350, 354, 361, 357, 346, 348, 371, 369, 360, 366, 377, 373]
    >>> pit = np.repeat([0, 1], 6)
    >>> X = np.column_stack([np.ones(12), pit])
    >>> fit = fit_mixed_linear(temp, X, np.repeat(np.arange(6), 2))
    >>> fit.coef.round(2), fit.std_error.round(2), fit.df.round(2)
    (array([352.67,  16.67]), array([3.48, 4.92]), array([4., 4.]))
    >>> round(fit.group_sd, 2), round(fit.residual_sd, 2)
    (5.7, 2.77)
    """
    if df not in ("kenward-roger", "satterthwaite"):
        raise ValueError(
            f'df is {df!r}; it must be "kenward-roger" or "satterthwaite".'
        )
    readings = _check_readings(y)
    design = check_design(X, len(readings))
    columns = column_names(names, design.shape[1])
    labels = _check_groups(group, len(readings))
    check_full_rank(design, columns)
    groups, level_labels = find_groups(labels)
    data = _prepare(readings, design, groups)
    n, p = design.shape
    if n == p or _only_rounding(data.residual, readings):
        return _spreadless_fit(data, level_labels, df, n == p)
    unknown, left_out = _unknown_variances(data)
    kept = [k for k in range(1, 1 + groups.n_levels) if k not in left_out]
    fitted = _fit_variances(data, kept)
    return _finish(data, fitted, (unknown, left_out), level_labels, df)


def _check_readings(y: npt.ArrayLike) -> FloatArray:
    readings = np.atleast_1d(np.asarray(y, dtype=float))
    if readings.ndim != 1 or readings.size == 0:
        raise ValueError(
            f"y has shape {readings.shape}; give one number per reading, at least one."
        )
    if not np.isfinite(readings).all():
        raise ValueError("y must not have gaps; leave out readings that are missing.")
    return readings


def _check_groups(group: npt.ArrayLike, n: int) -> npt.NDArray[Any]:
    labels = np.asarray(group)
    if labels.ndim == 2 and labels.shape[1] == 1:
        labels = labels[:, 0]
    if labels.ndim not in (1, 2) or labels.shape[0] != n or labels.shape[1:] > (2,):
        raise ValueError(
            f"group has shape {labels.shape}, but there are {n} readings; give one "
            "group per reading, or two columns for groups within groups."
        )
    if labels.dtype.kind == "f" and not np.isfinite(labels).all():
        raise ValueError("group must not have gaps.")
    return labels


def _prepare(readings: FloatArray, design: FloatArray, groups: Groups) -> _Data:
    """Orthonormal columns keep the digits; residuals make y free of its level."""
    scale = np.linalg.norm(design, axis=0)
    basis, upper = np.linalg.qr(design / scale)
    start = basis.T @ readings
    residual = readings - basis @ start
    again = basis.T @ residual
    start, residual = start + again, residual - basis @ again
    to_coef = np.linalg.inv(upper) / scale[:, None]
    log_det_x = 2 * float(np.log(np.abs(np.diag(upper)) * scale).sum())
    sums = sum_groups(np.column_stack([basis, residual]), groups)
    return _Data(basis, to_coef, start, residual, groups, sums, log_det_x)


def _only_rounding(residual: FloatArray, readings: FloatArray) -> bool:
    size = float(np.abs(readings).max())
    return bool(np.abs(residual).max() <= 1e-12 * max(size, np.finfo(float).tiny))


def _unknown_variances(data: _Data) -> tuple[FloatArray, list[int]]:
    """Combinations of variances that change nothing in the restricted likelihood.

    Each comes with the level that is left out of the fit for it.
    """
    levels = data.groups.n_levels
    restricted = Restricted(data.groups, data.sums)
    level_fit = restricted.fixed(np.zeros(levels))
    gram = restricted.slopes(level_fit).information
    total = np.diag(Covariance(data.groups, np.zeros(levels)).pair_traces())
    kept = [0]
    unknown, left_out = [], []
    for k in range(1, 1 + levels):
        share = np.linalg.solve(gram[np.ix_(kept, kept)], gram[kept, k])
        if gram[k, k] - share @ gram[kept, k] > 1e-9 * total[k]:
            kept.append(k)
            continue
        row = np.zeros(1 + levels)
        row[k] = 1.0
        row[kept] = -np.where(np.abs(share) > 1e-9, share, 0.0)
        unknown.append(row)
        left_out.append(k)
    return np.array(unknown).reshape(-1, 1 + levels), left_out


def _fit_variances(data: _Data, kept: list[int]) -> _Fitted:
    """Maximize the restricted likelihood over the variances that can be told apart."""
    stand_in = None
    if kept and _readings_of_a_group_agree(data, kept):
        stand_in = (
            _STAND_IN**2 * float(data.residual @ data.residual) / len(data.residual)
        )
    restricted = Restricted(data.groups, data.sums, stand_in)
    ratio = maximize(restricted, [k - 1 for k in kept])
    fixed = restricted.fixed(ratio)
    sigma2 = fixed.squares / restricted.n_free if stand_in is None else stand_in
    return _Fitted(
        sigma2,
        ratio,
        fixed.coef,
        fixed.inverse,
        restricted.slopes(fixed),
        fixed.criterion,
        stand_in is not None,
    )


def _readings_of_a_group_agree(data: _Data, kept: list[int]) -> bool:
    """Whether X and free group levels would predict every reading without error."""
    n_levels = data.groups.n_levels
    codes = data.groups.row
    if n_levels == 2 and 2 not in kept:
        codes = data.groups.outer[codes]
    about = sum_groups(
        np.column_stack([data.basis, data.residual]),
        find_groups(codes)[0],
    ).within
    x, xy = about[:-1, :-1], about[:-1, -1]
    left = about[-1, -1] - xy @ np.linalg.lstsq(x, xy, rcond=1e-10)[0]
    size = float(data.residual @ data.residual)
    level = float((data.start**2).sum()) * np.finfo(float).eps ** 2
    return bool(left <= max(_ROUNDING * size, 100 * level))


def _finish(
    data: _Data,
    fitted: _Fitted,
    undetermined: tuple[FloatArray, list[int]],
    labels: list[npt.NDArray[Any]],
    method: DfMethod,
) -> MixedLinearFit:
    """Turn the top of the likelihood into the result."""
    n, p = data.basis.shape
    k = 1 + data.groups.n_levels
    unknown, left_out = undetermined
    free = [j for j in range(k) if j not in left_out]
    if fitted.residual_known:
        free = free[1:]
    variance: FloatArray = fitted.sigma2 * np.concatenate([[1.0], fitted.ratio])
    plain = fitted.sigma2 * fitted.inverse
    slopes = fitted.inverse @ fitted.slopes.once @ fitted.inverse
    vcov = plain
    if method == "kenward-roger":
        of_variances = _expected_covariance(fitted, free)
        vcov = plain + _kenward_roger_excess(fitted, of_variances)
    else:
        of_variances = _observed_covariance(fitted, free)
    turn = data.to_coef
    if fitted.residual_known:
        variance[0] = 0.0
    group_sd = np.sqrt(variance[1:])
    group_sd[[k - 1 for k in left_out]] = np.nan
    effect = [r * e for r, e in zip(fitted.ratio, fitted.slopes.effect, strict=True)]
    nothing = np.full(p, np.nan)
    fit = MixedLinearFit(
        turn @ (data.start + fitted.coef),
        nothing,
        nothing,
        float(group_sd[0]) if len(group_sd) == 1 else group_sd,
        float(np.sqrt(variance[0])),
        turn @ vcov @ turn.T,
        turn @ plain @ turn.T,
        _loglik(data, fitted, n - p),
        method,
        VarianceUncertainty(
            variance,
            of_variances,
            turn @ slopes @ turn.T,
            turn @ vcov @ turn.T,
            unknown,
        ),
        labels,
        effect,
        _describe(fitted, unknown, left_out),
    )
    each = contrast_linear(fit, np.eye(p))
    return fit._replace(std_error=each.std_error, df=each.df, vcov=each.covariance)


def _loglik(data: _Data, fitted: _Fitted, n_free: int) -> float:
    if fitted.residual_known:
        return float("inf")
    # The criterion holds n_free * log(squares) for n_free * log(sigma2) + n_free.
    criterion = fitted.criterion - n_free * np.log(n_free)
    constant = n_free * (1 + np.log(2 * np.pi)) + data.log_det_x
    return -0.5 * float(criterion + constant)


def _expected_covariance(fitted: _Fitted, free: list[int]) -> FloatArray:
    """Covariance of the variances from the expected information."""
    out = np.zeros_like(fitted.slopes.information)
    if free:
        at = np.ix_(free, free)
        out[at] = 2 * fitted.sigma2**2 * _inverse(fitted.slopes.information[at])
    return out


def _observed_covariance(fitted: _Fitted, free: list[int]) -> FloatArray:
    """The same from the observed information, over the variances above 0."""
    slopes = fitted.slopes
    positive = [j for j in free if j == 0 or fitted.ratio[j - 1] > 0]
    out = np.zeros_like(slopes.information)
    if positive:
        at = np.ix_(positive, positive)
        observed = slopes.curvature[at] / fitted.sigma2 - slopes.information[at] / 2
        out[at] = fitted.sigma2**2 * _inverse(observed)
    return out


def _inverse(matrix: FloatArray) -> FloatArray:
    """Generalized inverse, rounding judged alike for all variances."""
    size = np.sqrt(np.abs(np.diag(matrix)))
    scale = np.outer(size, size)
    return np.asarray(np.linalg.pinv(matrix / scale) / scale)


def _kenward_roger_excess(fitted: _Fitted, of_variances: FloatArray) -> FloatArray:
    """What not knowing the variances adds to the covariance of the coefficients."""
    weight = of_variances / fitted.sigma2
    inner = np.einsum("kl,klij->ij", weight, fitted.slopes.left)
    return np.asarray(2 * fitted.inverse @ inner @ fitted.inverse)


def _describe(fitted: _Fitted, unknown: FloatArray, left_out: list[int]) -> str:
    """What could not be estimated, or lies on an edge."""
    names = ["groups"] if len(fitted.ratio) == 1 else ["outer groups", "inner groups"]
    said = []
    for row, left in zip(unknown, left_out, strict=True):
        level = left - 1
        if (np.abs(row) > 0).sum() == 1:
            said.append(
                f"the columns of X take up all differences between {names[level]}, so "
                "their spread cannot be estimated; effects that lie between them have "
                "no standard error."
            )
        else:
            said.append(
                f"the spread between {names[level]} cannot be told from the other "
                "spreads; they are estimated as one."
            )
    for level, ratio in enumerate(fitted.ratio):
        if ratio == 0 and level + 1 not in left_out:
            said.append(f"the spread between {names[level]} is estimated as 0.")
    if fitted.residual_known:
        said.append("the readings of a group agree, so the residual spread is 0.")
    return " ".join(s[0].upper() + s[1:] for s in said)


def _spreadless_fit(
    data: _Data, labels: list[npt.NDArray[Any]], method: DfMethod, saturated: bool
) -> MixedLinearFit:
    """Result when no reading is off the fit, so that no spread can be estimated."""
    p = data.basis.shape[1]
    k = 1 + data.groups.n_levels
    unknown = np.full(p, np.nan)
    matrix = np.full((p, p), np.nan)
    spread = np.full(k, np.nan if saturated else 0.0)
    message = (
        "There are as many columns as readings, so no spread can be estimated."
        if saturated
        else "The readings follow X exactly, so no spread can be estimated and no "
        "standard error given. Readings that never vary can come from a stuck probe."
    )
    return MixedLinearFit(
        data.to_coef @ data.start,
        unknown,
        unknown.copy(),
        float(spread[1]) if k == 2 else spread[1:],
        float(spread[0]),
        matrix,
        matrix.copy(),
        float("nan") if saturated else float("inf"),
        method,
        VarianceUncertainty(
            spread,
            np.full((k, k), np.nan),
            np.full((k, p, p), np.nan),
            matrix.copy(),
            np.eye(k),
        ),
        labels,
        [np.zeros(len(level)) for level in labels],
        message,
    )
