"""Likelihood of items that share a bake, for many parameter draws at once.

Each bake's effect (and each session's) is integrated out by adaptive Gauss-Hermite
quadrature. Arrays have the draws last, so that numpy works on long rows.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pitstats.stats.binomial_data import FloatArray, IntArray, collapse
from pitstats.stats.quadrature import log_sum_exp, normal_nodes

# Linear predictors beyond this are as good as certain; the products below stay finite.
_LARGEST_ETA = 30.0
# Products of four factors (1 + odds) multiplied before a logarithm is taken; each
# factor is below exp(60), so eight of them stay within a float.
_QUADS_PER_LOG = 2
# Numbers in the largest working array of a chunk of draws: about a megabyte.
_CHUNK = 120_000
_CHUNK_OF_SLOPE = 100_000
_LONGEST_STEP = 1.5
_MODE_STEPS = 2
# With sessions: log-likelihoods hold to 0.02 up to SDs of 2.5, mostly to 0.005.
_INNER_WITH_SESSIONS, _OUTER = 5, 3
_NODES_OF_SLOPE = 4


class Sessions(NamedTuple):
    """Which bakes share a session; without a session effect there is none.

    Attributes
    ----------
    of_bake : ndarray of int, shape (bakes,)
        Session of each bake; no entries when there is no session effect.
    order : ndarray of int, shape (bakes,)
        Bakes sorted by session.
    first : ndarray of int, shape (sessions,)
        Where each session begins in that order.
    """

    of_bake: IntArray
    order: IntArray
    first: IntArray

    def __bool__(self) -> bool:
        """Whether there is a session effect."""
        return bool(len(self.first))

    def total(self, values: FloatArray, axis: int = -2) -> FloatArray:
        """Sums over the bakes of each session, along an axis of bakes."""
        if not self:
            return np.zeros_like(np.take(values, [], axis))
        in_order = np.take(values, self.order, axis)
        return np.asarray(np.add.reduceat(in_order, self.first, axis))

    def each(self, values: FloatArray) -> FloatArray:
        """Each bake gets the value of its session, along the last axis but one."""
        return np.take(values, self.of_bake, -2) if self else np.zeros((1, 1))


class BakeData(NamedTuple):
    """Items by bake and distinct covariate pattern.

    Attributes
    ----------
    design : ndarray, shape (patterns, parameters)
        Row of the design of each distinct pattern: indicator of its intercept, then
        covariates.
    burned : ndarray, shape (patterns,)
        Burned items of each pattern over all bakes.
    single, several : ndarray of int, shape (slots, bakes)
        Patterns of each bake that hold one item, and that hold more; the number of
        patterns marks an empty slot.
    slot_count : ndarray, shape (slots, bakes)
        Items in the slots of ``several``.
    bake_burned, bake_total : ndarray, shape (bakes,)
        Burned and graded items of each bake.
    mean : ndarray, shape (bakes, patterns)
        Share of each pattern among the items of a bake.
    sessions : Sessions
        Which bakes share one.
    """

    design: FloatArray
    burned: FloatArray
    single: IntArray
    several: IntArray
    slot_count: FloatArray
    bake_burned: FloatArray
    bake_total: FloatArray
    mean: FloatArray
    sessions: Sessions


def group_items(
    y: FloatArray,
    n: FloatArray,
    bake: IntArray,
    design: FloatArray,
    session: IntArray | None,
) -> BakeData:
    """Group items by bake and covariate pattern, independent of their order.

    Parameters
    ----------
    y, n : ndarray, shape (entries,)
        Burned and graded items, ``n`` above 0.
    bake : ndarray of int, shape (entries,)
        Bake codes 0, 1 ... without gaps.
    design : ndarray, shape (entries, parameters)
        Full design: intercept indicators, then covariates.
    session : ndarray of int, shape (bakes,), or None
        Session of each bake, codes without gaps; None for no session effect.
    """
    patterns, inverse = np.unique(design, axis=0, return_inverse=True)
    keys = np.column_stack([bake, inverse.reshape(-1)]).astype(float)
    y, n, keys = collapse(y, n, keys)
    of_bake, of_pattern = keys[:, 0].astype(np.intp), keys[:, 1].astype(np.intp)
    n_bakes, n_patterns = int(of_bake.max()) + 1, len(patterns)
    burned = np.bincount(of_pattern, weights=y, minlength=n_patterns).astype(float)
    total = np.bincount(of_bake, weights=n, minlength=n_bakes).astype(float)
    mean = np.zeros((n_bakes, n_patterns))
    mean[of_bake, of_pattern] = n / total[of_bake]
    one = n == 1
    single, _ = _slots(of_bake[one], of_pattern[one], n[one], n_bakes, n_patterns)
    several, count = _slots(
        of_bake[~one], of_pattern[~one], n[~one], n_bakes, n_patterns
    )
    if session is None:
        session = np.zeros(0, dtype=np.intp)
    order = np.argsort(session, kind="stable")
    first = np.flatnonzero(np.diff(session[order], prepend=-1))
    sessions = Sessions(session, order, first)
    bake_burned = np.bincount(of_bake, weights=y, minlength=n_bakes).astype(float)
    return BakeData(
        patterns, burned, single, several, count, bake_burned, total, mean, sessions
    )


def _slots(
    bake: IntArray, pattern: IntArray, n: FloatArray, n_bakes: int, empty: int
) -> tuple[IntArray, FloatArray]:
    """Put the patterns of each bake in a column, filled up with an empty mark."""
    per_bake = np.bincount(bake, minlength=n_bakes)
    first = np.concatenate([[0], np.cumsum(per_bake)[:-1]])
    slot = np.arange(len(bake)) - first[bake]
    table = np.full((int(per_bake.max(initial=0)), n_bakes), empty, dtype=np.intp)
    count = np.zeros(table.shape)
    table[slot, bake] = pattern
    count[slot, bake] = n
    return table, count


class Modes(NamedTuple):
    """Modes of the standard normal effects, and node spacings.

    Attributes
    ----------
    bake, bake_weight, bake_curvature : ndarray, shape (bakes, draws)
        Mode, binomial weight there, and curvature ``1 + sd^2 weight``.
    session, session_curvature : ndarray, shape (sessions, draws)
        The same for sessions, the bakes profiled out.
    """

    bake: FloatArray
    bake_weight: FloatArray
    bake_curvature: FloatArray
    session: FloatArray
    session_curvature: FloatArray


class Odds(NamedTuple):
    """Odds of burning without bake effect in the slots of every bake.

    Attributes
    ----------
    eta : ndarray, shape (patterns, draws)
        Linear predictors, clipped.
    single, several : ndarray, shape (slots, bakes, draws)
        ``exp(eta)``, 0 in empty slots.
    """

    eta: FloatArray
    single: FloatArray
    several: FloatArray


def slot_odds(data: BakeData, theta: FloatArray) -> Odds:
    """Odds in every slot for parameters of shape (parameters, draws)."""
    eta = np.clip(data.design @ theta, -_LARGEST_ETA, _LARGEST_ETA)
    odds = np.zeros((len(eta) + 1, eta.shape[1]))
    np.exp(eta, out=odds[:-1])
    return Odds(eta, odds[data.single], odds[data.several])


def find_modes(
    data: BakeData, odds: Odds, sd: FloatArray, session_sd: FloatArray
) -> Modes:
    """Approximate joint modes of bake and session effects by two Newton steps.

    Good to the accuracy that quadrature centres need, in a fixed amount of work. SDs as
    for `log_likelihood`.
    """
    y, n = data.bake_burned[:, None], data.bake_total[:, None]
    noise = 1 / (y + 0.5) + 1 / (n - y + 0.5)
    gap = np.log((y + 0.5) / (n - y + 0.5)) - data.mean @ odds.eta
    square, both = sd * sd, session_sd * sd
    spread = square + noise
    s = session_sd * (data.sessions.total(gap / spread))
    s /= 1 + session_sd**2 * data.sessions.total(1 / spread)
    u = sd * (gap - session_sd * data.sessions.each(s)) / spread
    for _ in range(_MODE_STEPS):
        fitted, weight = _fitted(data, odds, _shift(data, sd, u, session_sd, s))
        residual = y - fitted
        curvature = 1 + square * weight
        slope = sd * residual - u
        link = both * weight / curvature
        rest = session_sd * data.sessions.total(residual) - s
        rest -= data.sessions.total(link * slope)
        step = rest / (1 + session_sd**2 * data.sessions.total(weight / curvature))
        slope /= curvature
        slope -= link * data.sessions.each(step)
        u = u + np.clip(slope, -_LONGEST_STEP, _LONGEST_STEP)
        s = s + np.clip(step, -_LONGEST_STEP, _LONGEST_STEP)
    weight = _fitted(data, odds, _shift(data, sd, u, session_sd, s))[1]
    curvature = 1 + square * weight
    session_curvature = 1 + session_sd**2 * data.sessions.total(weight / curvature)
    return Modes(u, weight, curvature, s, session_curvature)


def _shift(
    data: BakeData,
    sd: FloatArray,
    u: FloatArray,
    session_sd: FloatArray,
    s: FloatArray,
) -> FloatArray:
    """Logit shift of each bake, clipped like the predictors."""
    shift = sd * u
    if len(s):
        shift = shift + session_sd * data.sessions.each(s)
    return np.clip(shift, -_LARGEST_ETA, _LARGEST_ETA)


def _fitted(
    data: BakeData, odds: Odds, shift: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Expected burned items of each bake and their binomial variance."""
    factor = np.exp(shift)
    fitted = np.zeros_like(shift)
    weight = np.zeros_like(shift)
    for odd, count in ((odds.single, None), (odds.several, data.slot_count)):
        ratio = odd * factor
        below = ratio + 1.0
        ratio /= below
        if count is not None:
            ratio *= count[:, :, None]
        fitted += ratio.sum(axis=0)
        ratio /= below
        weight += ratio.sum(axis=0)
    return fitted, weight


class AdaptiveNodes(NamedTuple):
    """Quadrature nodes of bakes and sessions, outer nodes first.

    Attributes
    ----------
    shift : ndarray, shape (outer, inner, bakes, draws)
        Logit shifts, sessions included.
    bake_log : ndarray, same shape
        Log weight and normal density of the inner nodes, spacing included.
    session : ndarray, shape (outer, sessions, draws)
        Standard normal session effects; no sessions when there is no such effect.
    session_log : ndarray, shape (outer, sessions, draws)
        Their log weight and density, spacing included.
    """

    shift: FloatArray
    bake_log: FloatArray
    session: FloatArray
    session_log: FloatArray


def place_nodes(
    data: BakeData,
    modes: Modes,
    sd: FloatArray,
    session_sd: FloatArray,
    n_inner: int,
    n_outer: int,
) -> AdaptiveNodes:
    """Spread quadrature nodes around the modes.

    At an outer node away from the session's mode the bakes' centres move with it,
    along the ridge of the joint density.
    """
    inner, inner_weight = normal_nodes(n_inner)
    outer, outer_weight = normal_nodes(n_outer if len(modes.session) else 1)
    spacing = 1 / np.sqrt(modes.bake_curvature)
    wide = 1 / np.sqrt(modes.session_curvature)
    away = outer[:, None, None] * wide
    session = modes.session + away
    session_log = (np.log(outer_weight) + 0.5 * outer**2)[:, None, None]
    session_log = session_log + np.log(wide) - 0.5 * session**2
    centre = np.broadcast_to(modes.bake, (len(outer), *modes.bake.shape))
    if len(modes.session):
        ridge = sd * session_sd * modes.bake_weight / modes.bake_curvature
        centre = centre - ridge * data.sessions.each(away)
    u = centre[:, None] + inner[:, None, None] * spacing
    shift = sd * u
    if len(modes.session):
        shift += (session_sd * data.sessions.each(session))[:, None]
    np.clip(shift, -_LARGEST_ETA, _LARGEST_ETA, out=shift)
    bake_log = np.square(u, out=u)
    bake_log *= -0.5
    bake_log += (np.log(inner_weight) + 0.5 * inner**2)[:, None, None] + np.log(spacing)
    return AdaptiveNodes(shift, bake_log, session, session_log)


def log_likelihood(
    data: BakeData,
    theta: FloatArray,
    sd: FloatArray,
    session_sd: FloatArray,
    n_inner: int = 7,
    n_outer: int = 5,
) -> FloatArray:
    """Log-likelihood of many draws, bake and session effects integrated out.

    Parameters
    ----------
    data : BakeData
        Items.
    theta : ndarray, shape (parameters, draws)
        Intercepts, then slopes.
    sd : ndarray, shape (bakes, draws) or (draws,)
        Standard deviation of the effect of each bake, logit scale.
    session_sd : ndarray, shape (draws,)
        Standard deviation of the session effects.
    n_inner, n_outer : int
        Nodes per bake and per session.

    Returns
    -------
    ndarray, shape (draws,)
        Without the binomial coefficients.

    References
    ----------
    .. [1] Pinheiro JC, Bates DM (1995), Approximations to the log-likelihood function
       in the nonlinear mixed-effects model, Journal of Computational and Graphical
       Statistics 4:12-35.
    """
    nodes = n_inner * (n_outer if data.sessions else 1)
    rows = max(nodes, len(data.single) + len(data.several)) * len(data.bake_total)
    step = max(16, _CHUNK // rows)
    value = np.empty(theta.shape[1])
    for start in range(0, theta.shape[1], step):
        part = slice(start, start + step)
        value[part] = _chunk_likelihood(
            data, theta[:, part], sd[..., part], session_sd[part], n_inner, n_outer
        )
    return value


def _chunk_likelihood(
    data: BakeData,
    theta: FloatArray,
    sd: FloatArray,
    session_sd: FloatArray,
    n_inner: int,
    n_outer: int,
) -> FloatArray:
    odds = slot_odds(data, theta)
    modes = find_modes(data, odds, sd, session_sd)
    nodes = place_nodes(data, modes, sd, session_sd, n_inner, n_outer)
    terms = data.bake_burned[:, None] * nodes.shift
    terms += nodes.bake_log
    _take_log_one_plus_odds(terms, data, odds, nodes.shift)
    bakes = log_sum_exp(terms, axis=1)
    linear = data.burned @ odds.eta
    if not data.sessions:
        return np.asarray(bakes[0].sum(axis=0) + linear)
    sessions = data.sessions.total(bakes) + nodes.session_log
    return np.asarray(log_sum_exp(sessions, axis=0).sum(axis=0) + linear)


def _take_log_one_plus_odds(
    terms: FloatArray, data: BakeData, odds: Odds, shift: FloatArray
) -> None:
    """Take from the terms the sum over a bake's items of log(1 + odds), at every node.

    Four items at a time: the product of their factors is a polynomial in the bake's
    odds multiplier, so its coefficients are worked out once for all nodes.
    """
    factor = np.exp(shift)
    work = np.empty_like(factor)
    product = np.empty_like(factor)
    quads = _quartics(odds.single)
    for j, coefficients in enumerate(quads):
        np.multiply(factor, coefficients[0], out=work)
        for coefficient in coefficients[1:]:
            work += coefficient
            work *= factor
        work += 1.0
        if j % _QUADS_PER_LOG == 0:
            product, work = work, product
        else:
            product *= work
        if j % _QUADS_PER_LOG == _QUADS_PER_LOG - 1 or j == len(quads) - 1:
            np.log(product, out=product)
            terms -= product
    for odd, count in zip(odds.several, data.slot_count, strict=True):
        np.multiply(factor, odd, out=work)
        work += 1.0
        np.log(work, out=work)
        work *= count[:, None]
        terms -= work


def _quartics(odds: FloatArray) -> list[tuple[FloatArray, ...]]:
    """Coefficients of products of four factors ``1 + odds c``, highest power first."""
    found: list[tuple[FloatArray, ...]] = []
    for j in range(0, len(odds), 4):
        group = odds[j : j + 4]
        if len(group) < 4:
            found += [(odd,) for odd in group]
            continue
        add1, mul1 = group[0] + group[1], group[0] * group[1]
        add2, mul2 = group[2] + group[3], group[2] * group[3]
        third = add1 * mul2 + add2 * mul1
        found.append((mul1 * mul2, third, mul1 + mul2 + add1 * add2, add1 + add2))
    return found


def likelihood_slope(
    data: BakeData,
    theta: FloatArray,
    sd: FloatArray,
    session_sd: FloatArray,
    n_inner: int = 7,
    n_outer: int = 3,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log-likelihood, gradient and information over ``theta``, for a few draws.

    Arguments as for `log_likelihood`. Value (draws,), gradient (draws, parameters) and
    observed information (draws, parameters, parameters) by Louis's formula at fixed
    nodes.

    References
    ----------
    .. [1] Louis TA (1982), Finding the observed information matrix when using the EM
       algorithm, Journal of the Royal Statistical Society B 44:226-233.
    """
    nodes = n_inner * (n_outer if data.sessions else 1)
    slots = len(data.single) + len(data.several)
    step = max(1, _CHUNK_OF_SLOPE // (nodes * len(data.bake_total) * slots))
    parts = [
        _chunk_slope(
            data, theta[:, part], sd[..., part], session_sd[part], n_inner, n_outer
        )
        for part in (slice(k, k + step) for k in range(0, theta.shape[1], step))
    ]
    value, gradient, information = map(np.concatenate, zip(*parts, strict=True))
    return value, gradient, information


def _chunk_slope(
    data: BakeData,
    theta: FloatArray,
    sd: FloatArray,
    session_sd: FloatArray,
    n_inner: int,
    n_outer: int,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    odds = slot_odds(data, theta)
    modes = find_modes(data, odds, sd, session_sd)
    nodes = place_nodes(data, modes, sd, session_sd, n_inner, n_outer)
    pattern = np.vstack([data.single, data.several])
    count = np.vstack([np.ones(data.single.shape), data.slot_count])
    odd = np.concatenate([odds.single, odds.several])
    design = np.vstack([data.design, np.zeros(data.design.shape[1])])[pattern]

    # Axes: o outer node, i inner node, j slot, b bake, n draw, a and c parameters.
    ratio = odd[None, None] * np.exp(nodes.shift)[:, :, None]
    probability = ratio / (1 + ratio)
    size = count[:, :, None]
    expected = size * probability
    terms = data.bake_burned[:, None] * nodes.shift + nodes.bake_log
    terms -= (size * np.log(1 + ratio)).sum(axis=2)
    value, outer, inner = _node_shares(data, nodes, terms)
    value += data.burned @ odds.eta

    score = -np.einsum("oijbn,jba->oibna", expected, design, optimize=True)
    average = (inner[..., None] * score).sum(axis=1)
    by_bake = outer if not data.sessions else data.sessions.each(outer)
    share = by_bake[:, None] * inner
    weight = (share[:, :, None] * expected * (1 - probability)).sum(axis=(0, 1))
    squares = design[:, :, :, None] * design[:, :, None, :]
    information = np.einsum("jbn,jbac->nac", weight, squares, optimize=True)
    centred = score - average[:, None]
    information -= np.einsum(
        "oibn,oibna,oibnc->nac", share, centred, centred, optimize=True
    )
    gradient = (by_bake[..., None] * average).sum(axis=(0, 1))
    if data.sessions:
        sums = data.sessions.total(average, axis=1)
        sums -= (outer[..., None] * sums).sum(axis=0)
        information -= np.einsum("osn,osna,osnc->nac", outer, sums, sums, optimize=True)
    gradient += (data.design.T @ data.burned)[None, :]
    return value, gradient, information


def _node_shares(
    data: BakeData, nodes: AdaptiveNodes, terms: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log-likelihood and posterior shares of outer and inner nodes."""
    bakes = log_sum_exp(terms, axis=1)
    inner = np.exp(terms - bakes[:, None])
    if not data.sessions:
        return bakes[0].sum(axis=0), np.ones_like(bakes), inner
    sessions = data.sessions.total(bakes) + nodes.session_log
    total = log_sum_exp(sessions, axis=0)
    return total.sum(axis=0), np.exp(sessions - total), inner


class BakeLikelihood(NamedTuple):
    """The likelihood of given items, as the engine asks for it."""

    data: BakeData

    def value(
        self, theta: FloatArray, sd: FloatArray, shared_sd: FloatArray
    ) -> FloatArray:
        """Log-likelihood of many draws."""
        inner = _INNER_WITH_SESSIONS if self.data.sessions else 7
        return log_likelihood(self.data, theta, sd, shared_sd, inner, _OUTER)

    def slope(
        self, theta: FloatArray, sd: FloatArray, shared_sd: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log-likelihood, gradient and information of a few."""
        # Modes only steer the proposal; a few nodes will do.
        return likelihood_slope(self.data, theta, sd, shared_sd, _NODES_OF_SLOPE)
