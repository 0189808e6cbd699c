"""Prior of the spreads between bakes: every pit its own, drawn to a common level.

One spread common to all pits is wrong where one fire is moodier than the others, and
most wrong where the moody pit has the fewest bakes. Here the spreads are exchangeable:
each has the same margin on 0 to 2.5, and their normal scores correlate by ``rho``. What
the kit ships stands in `OWN`, and nowhere else.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

Array = NDArray[np.float64]

SD_LIMIT = 2.5
"""Upper end of every prior of a bake standard deviation (logit scale)."""

_LOG_2PI = math.log(2 * math.pi)
_FARTHEST_LEVEL = 3.6  # normal score of the common level beyond which nothing is summed
_STEP = 1.25  # of levels, in posterior SDs when every spread is known
_HALF_NORMAL = re.compile(r"half-normal\((\d+(?:\.\d+)?)\)")


class SpreadLevels(NamedTuple):
    """Nodes of the common level, and each pit's spread given the level.

    Attributes
    ----------
    score : ndarray, shape (n_levels,)
        Normal score of the level.
    weight : ndarray, shape (n_levels,)
        Prior probability of each level; adds up to 1.
    kernel : ndarray, shape (n_levels, n_sds)
        Prior probability of each node of a pit's spread, given the level; rows add up
        to 1.
    """

    score: Array
    weight: Array
    kernel: Array


@dataclass(frozen=True)
class SpreadPrior:
    """Exchangeable prior of the bake standard deviations of several pits.

    With a common level ``z0`` and own parts ``e``, all standard normal, pit ``p`` has
    the score ``z[p] = sqrt(rho) * z0 + sqrt(1 - rho) * e[p]`` and the spread whose
    probability under the margin is that of ``z[p]`` under the standard normal.

    Parameters
    ----------
    rho : float
        Correlation of the scores of two pits: 0 (nothing in common) to 1 (one spread
        for all pits).
    margin : str
        Prior of each spread by itself: ``"uniform(0, 2.5)"`` or ``"half-normal(s)"``
        with scale ``s``, cut at 2.5.

    Raises
    ------
    ValueError
        If ``rho`` is not between 0 and 1 or the margin is not one of these.

    Notes
    -----
    The joint distribution is a normal copula with equal correlations [1]_; the margins
    are those of [2]_.

    References
    ----------
    .. [1] Joe (2014), Dependence Modeling with Copulas, section 4.3.1.
    .. [2] Gelman (2006), Prior distributions for variance parameters in hierarchical
       models, Bayesian Analysis 1:515-534.

    Examples
    --------
    >>> prior = SpreadPrior(0.5, "uniform(0, 2.5)")
    >>> float(prior.sd(0.0)), float(prior.score(1.25))
    (1.25, 0.0)
    """

    rho: float
    margin: str

    def __post_init__(self) -> None:
        if not 0 <= self.rho <= 1:
            raise ValueError(f"rho is {self.rho}; it must lie between 0 and 1")
        _ = self._scale

    @property
    def _scale(self) -> float:
        """Scale of the half-normal margin; infinite for the uniform one."""
        if self.margin == f"uniform(0, {SD_LIMIT})":
            return math.inf
        found = _HALF_NORMAL.fullmatch(self.margin)
        if not found or float(found[1]) == 0:
            raise ValueError(
                f'margin is "{self.margin}"; use "uniform(0, {SD_LIMIT})" or '
                '"half-normal(s)" with a scale s above 0'
            )
        return float(found[1])

    @property
    def words(self) -> str:
        """What it is, for the line on the method that travels with a result."""
        if self.common:
            return f"between-bake SD {self.margin} (logit scale), common to all pits"
        return (
            f"each pit's between-bake SD {self.margin} up to {SD_LIMIT} (logit scale), "
            f"normal scores of the pits correlated by {self.rho:g}"
        )

    @property
    def common(self) -> bool:
        """Whether all pits have one spread."""
        return self.rho == 1

    # ---- one spread -----------------------------------------------------------------

    def sd(self, score: ArrayLike) -> Array:
        """Spread with the given normal score, of the shape of ``score``."""
        share = ndtr(np.asarray(score, dtype=np.float64))
        if math.isinf(self._scale):
            return np.asarray(SD_LIMIT * share)
        inside = 2 * ndtr(SD_LIMIT / self._scale) - 1
        sd = self._scale * ndtri(0.5 * (1 + share * inside))
        return np.asarray(np.minimum(sd, SD_LIMIT))

    def score(self, sd: ArrayLike) -> Array:
        """Normal score of a spread; the ends 0 and 2.5 give about -8 and 8."""
        sd = np.asarray(sd, dtype=np.float64)
        share = sd / SD_LIMIT
        if not math.isinf(self._scale):
            top = ndtr(SD_LIMIT / self._scale) - 0.5
            share = (ndtr(sd / self._scale) - 0.5) / top
        return np.asarray(ndtri(np.clip(share, 1e-15, 1 - 1e-15)))

    def log_density(self, sd: ArrayLike) -> Array:
        """Log density of one spread by itself, between 0 and 2.5."""
        sd = np.asarray(sd, dtype=np.float64)
        if math.isinf(self._scale):
            return np.full(sd.shape, -math.log(SD_LIMIT))
        inside = 2 * ndtr(SD_LIMIT / self._scale) - 1
        constant = math.log(2 / (self._scale * inside)) - 0.5 * _LOG_2PI
        return np.asarray(constant - 0.5 * (sd / self._scale) ** 2)

    # ---- spreads of several pits ----------------------------------------------------

    def spreads(self, level: ArrayLike, own: ArrayLike) -> Array:
        """Spreads of pits from standard normal coordinates.

        Parameters
        ----------
        level : array_like, shape (...)
            Score ``z0`` of the common level.
        own : array_like, shape (n_pits, ...)
            Own part ``e`` of each pit.

        Returns
        -------
        ndarray, shape (n_pits, ...)

        Notes
        -----
        In these coordinates the log prior density is the sum of standard normal log
        densities of ``level`` and ``own``; nothing else is needed.
        """
        return self.sd(
            math.sqrt(self.rho) * np.asarray(level)
            + math.sqrt(1 - self.rho) * np.asarray(own)
        )

    def log_ratio(self, level: ArrayLike, sd: ArrayLike) -> Array:
        """Log density of a spread given the level, less that of the spread alone.

        Parameters
        ----------
        level, sd : array_like
            Score of the level and spread; broadcast together. ``rho`` below 1.

        Returns
        -------
        ndarray
        """
        z, rest = self.score(sd), 1 - self.rho
        gap = z - math.sqrt(self.rho) * np.asarray(level)
        return np.asarray(0.5 * (z * z - gap * gap / rest - math.log(rest)))

    def log_joint(self, sd: ArrayLike) -> Array:
        """Log density of the spreads of several pits, the level averaged out.

        Parameters
        ----------
        sd : array_like, shape (n_pits, ...)
            One spread per pit. ``rho`` below 1.

        Returns
        -------
        ndarray, shape (...)
            With respect to the spreads themselves.

        Notes
        -----
        ``R = (1 - rho) I + rho 1 1'`` has the inverse
        ``(I - rho / (1 + (n - 1) rho) 1 1') / (1 - rho)`` and the determinant
        ``(1 - rho)^(n - 1) (1 + (n - 1) rho)``.
        """
        z = self.score(sd)
        n, rest = z.shape[0], 1 - self.rho
        whole = 1 + (n - 1) * self.rho
        squares, total = (z * z).sum(axis=0), z.sum(axis=0)
        form = (squares - self.rho / whole * total * total) / rest
        log_determinant = (n - 1) * math.log(rest) + math.log(whole)
        copula = -0.5 * (form - squares + log_determinant)
        return np.asarray(copula + self.log_density(sd).sum(axis=0))

    def levels(self, n_pits: int, sd: Array, sd_weight: Array) -> SpreadLevels:
        """Nodes of the common level for a grid of spreads.

        Parameters
        ----------
        n_pits : int
            Number of pits; more of them tell more about the level.
        sd, sd_weight : ndarray, shape (n_sds,)
            Nodes of a spread, and weights that integrate over it from 0 to 2.5.

        Returns
        -------
        SpreadLevels

        Notes
        -----
        Given the level, the log-likelihood of one pit is at most as curved as
        ``rho / (1 - rho)`` (its spread known), so even steps of 1.25 posterior standard
        deviations leave an error below 1e-5 (Poisson's summation formula). With
        ``rho`` 1 the levels are the nodes of the spread and the kernel is the identity.
        """
        density = sd_weight * np.exp(self.log_density(sd))
        if self.common:
            return SpreadLevels(
                self.score(sd), density / density.sum(), np.eye(sd.size)
            )
        step = _STEP / math.sqrt(1 + n_pits * self.rho / (1 - self.rho))
        half = math.ceil(_FARTHEST_LEVEL / step)
        score = np.linspace(-_FARTHEST_LEVEL, _FARTHEST_LEVEL, 2 * half + 1)
        weight = np.exp(-0.5 * score**2)
        kernel = density * np.exp(self.log_ratio(score[:, None], sd))
        return SpreadLevels(
            score, weight / weight.sum(), kernel / kernel.sum(axis=1, keepdims=True)
        )


COMMON = SpreadPrior(1.0, f"uniform(0, {SD_LIMIT})")
"""One spread for all pits, uniform from 0 to 2.5."""

OWN = SpreadPrior(0.5, "half-normal(1.5)")
"""A spread for every pit: what the kit ships."""


def chosen_prior(spread: str, rho: float | None, margin: str | None) -> SpreadPrior:
    """Prior meant by the arguments of the array layer.

    Parameters
    ----------
    spread : {"own", "common"}
        A spread for every pit, or one for all.
    rho, margin : float, str or None
        For check values, with ``"own"`` only; None means what the kit ships.

    Returns
    -------
    SpreadPrior

    Raises
    ------
    ValueError
        If ``spread`` is neither, or ``rho`` or ``margin`` is given with ``"common"``.

    Examples
    --------
    >>> chosen_prior("common", None, None).common
    True
    """
    if spread == "common":
        if rho is not None or margin is not None:
            raise ValueError('rho and margin belong to spread="own"; leave them out')
        return COMMON
    if spread != "own":
        raise ValueError(f'spread is "{spread}"; use "own" or "common"')
    return SpreadPrior(
        OWN.rho if rho is None else rho, OWN.margin if margin is None else margin
    )
