"""From a formula to columns: one intercept per pit, the rest as covariates.

The formula language is patsy's [1]_. Interactions with the pit become one column per
pit, so that no pit is the reference of another and priors treat all pits alike.

References
----------
.. [1] Chambers JM, Hastie TJ (1992), Statistical models in S, chapter 2.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pitstats.analysis.model.grammar import CONTRASTS, PLAIN, read_terms
from pitstats.analysis.model.transformations import OrthogonalPolynomials, hump
from pitstats.errors import DesignError
from pitstats.study.cells import quote

_NEGLIGIBLE = 1e-8
_NOT_COMPUTED = (ValueError, TypeError, ArithmeticError, AttributeError, LookupError)


def _functions() -> dict[str, Any]:
    """All that the code of a factor can call, beside what patsy brings along."""
    from patsy import stateful_transform

    plain = {name: getattr(np, name) for name in PLAIN if name != "hump"}
    poly = stateful_transform(OrthogonalPolynomials)
    return plain | {"np": np, "hump": hump, "poly": poly}


@dataclass(frozen=True, kw_only=True, eq=False)
class ParsedFormula:
    """A formula taken apart.

    Attributes
    ----------
    text : str
        As it is used, with ``pit`` in it.
    names : tuple of str
        Columns of the study that it uses.
    terms : tuple of tuple of str
        Terms, each the code of its factors; the pit itself is left out.
    pit_added : bool
        Whether ``pit`` was put in.
    """

    text: str
    names: tuple[str, ...]
    terms: tuple[tuple[str, ...], ...]
    pit_added: bool


def parse_formula(text: str) -> ParsedFormula:
    """Take a formula apart, or say what is wrong with it."""
    if not isinstance(text, str) or not text.strip():
        raise DesignError(
            "The formula is empty. Write the columns that may explain burning, such "
            "as 'pit + distance + grate'."
        )
    body = text.strip().removeprefix("~")
    if "~" in re.sub(r"`[^`]*`", "", body):
        raise DesignError(
            f"The formula {quote(text)} has a left side. What is explained is always "
            "whether an item burned: write the right side alone."
        )
    found = read_terms(body)
    pit_added = ("pit",) not in found
    crossed = {
        frozenset(term) - {"pit"} for term in found if "pit" in term and len(term) > 1
    }
    terms = tuple(
        term
        for term in found
        if term not in ((), ("pit",)) and set(term) not in crossed
    )
    names = dict.fromkeys(n for term in terms for code in term for n in _names(code))
    return ParsedFormula(
        text=f"pit + {body.strip()}" if pit_added else body.strip(),
        names=tuple(names),
        terms=terms,
        pit_added=pit_added,
    )


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0] if str(error) else type(error).__name__


def _names(code: str) -> list[str]:
    """Columns of the study in the code of one factor."""
    tree = ast.parse(code, mode="eval")
    called = {id(n.func) for n in ast.walk(tree) if isinstance(n, ast.Call)}
    quoted = [
        str(call.args[0].value)
        for call in ast.walk(tree)
        if isinstance(call, ast.Call)
        and isinstance(call.func, ast.Name)
        and call.func.id == "Q"
        and call.args
        and isinstance(call.args[0], ast.Constant)
    ]
    plain = [
        node.id
        for node in ast.walk(tree)
        if isinstance(node, ast.Name)
        and id(node) not in called
        and node.id not in ("np", *CONTRASTS)
    ]
    return plain + quoted


@dataclass(frozen=True, kw_only=True, eq=False)
class ModelColumns:
    """Columns of a formula over a given table.

    Attributes
    ----------
    columns : tuple of str
        Names of the covariates, without the pits' intercepts.
    terms : tuple of tuple of str
        Term, as codes of factors, from which each column comes.
    info : patsy.DesignInfo
        What turns further rows into the same columns.
    skip : int
        Number of leading columns that are the pits' intercepts.
    """

    columns: tuple[str, ...]
    terms: tuple[tuple[str, ...], ...]
    info: Any
    skip: int

    def matrix(self, frame: pd.DataFrame) -> NDArray[np.float64]:
        """Covariates of the rows of a table, shape (rows, columns)."""
        from patsy import PatsyError, build_design_matrices

        if not self.columns:
            return np.zeros((len(frame), 0))
        try:
            with np.errstate(all="ignore"):  # what is not finite is told below
                (matrix,) = build_design_matrices([self.info], frame, NA_action="raise")
        except (PatsyError, *_NOT_COMPUTED) as error:
            raise DesignError(
                f"A column of the formula cannot be computed: {_first_line(error)}."
            ) from error
        values = np.asarray(matrix, dtype=float)
        if len(values) == 1 < len(frame):
            values = np.repeat(values, len(frame), axis=0)
        bad = ~np.isfinite(values).all(axis=0)
        if bad.any():
            name = self.info.column_names[int(np.flatnonzero(bad)[0])]
            raise DesignError(
                f"{name} is not a finite number for every item. Change the formula, "
                "for instance a logarithm of 0."
            )
        return values[:, self.skip :]


def build_design(parsed: ParsedFormula, frame: pd.DataFrame) -> ModelColumns:
    """Find out which columns a formula makes from a table."""
    from patsy import (
        EvalEnvironment,
        EvalFactor,
        ModelDesc,
        PatsyError,
        Term,
        incr_dbuilder,
    )

    wanted = [Term([EvalFactor("pit")])]
    wanted += [Term([EvalFactor(code) for code in term]) for term in parsed.terms]
    environment = EvalEnvironment([_functions()])
    try:
        with np.errstate(all="ignore"):
            info = incr_dbuilder(
                ModelDesc([], wanted), lambda: iter([frame]), eval_env=environment
            )
    except (PatsyError, *_NOT_COMPUTED) as error:
        raise DesignError(
            f"The formula {parsed.text!r} cannot be computed from this study: "
            f"{_first_line(error)}."
        ) from error
    # The pits stand first: one indicator each, since the model has no other intercept.
    skip = len(frame["pit"].cat.categories)
    columns: list[str] = []
    terms: list[tuple[str, ...]] = []
    for term in info.terms[1:]:
        names = info.column_names[info.term_slices[term]]
        columns += names
        terms += [tuple(factor.code for factor in term.factors)] * len(names)
    return ModelColumns(
        columns=tuple(columns), terms=tuple(terms), info=info, skip=skip
    )


def codes_names(codes: Sequence[str]) -> set[str]:
    """Columns of the study in the factors of a term, the pit left out."""
    return {name for code in codes for name in _names(code)} - {"pit"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Aliasing:
    """Columns that the data cannot tell from others.

    Attributes
    ----------
    constant : ndarray of bool, shape (columns,)
        Columns with a single value.
    aliased : ndarray of bool, shape (columns,)
        Columns that the intercepts and earlier columns determine; constants too.
    partners : dict of str to tuple of str
        For each aliased column the earlier columns that determine it; ``"pit"``
        stands for the intercepts.
    """

    constant: NDArray[np.bool_]
    aliased: NDArray[np.bool_]
    partners: dict[str, tuple[str, ...]]


def find_aliases(
    columns: Sequence[str], matrix: NDArray[np.float64], pit: NDArray[np.intp]
) -> Aliasing:
    """Find columns that the pits' intercepts and earlier columns determine."""
    rows = np.unique(np.column_stack([pit, matrix]), axis=0)
    dummies = np.eye(int(pit.max()) + 1)[rows[:, 0].astype(np.intp)]
    held = [*dummies.T]
    names = ["pit"] * len(held)
    constant = np.ptp(rows[:, 1:], axis=0) == 0
    aliased = np.zeros(len(columns), dtype=bool)
    partners = {}
    for j, (name, column) in enumerate(zip(columns, rows[:, 1:].T, strict=True)):
        size = float(np.abs(column).max()) or 1.0
        basis = np.column_stack(held)
        coef = np.linalg.lstsq(basis, column / size, rcond=None)[0]
        gap = np.abs(basis @ coef - column / size).max()
        if gap > _NEGLIGIBLE:
            held.append(column / size)
            names.append(name)
            continue
        aliased[j] = True
        with_it = dict.fromkeys(
            n for n, c in zip(names, coef, strict=True) if abs(c) > 1e-6
        )
        partners[name] = tuple(with_it) or ("pit",)
    return Aliasing(constant=constant, aliased=aliased, partners=partners)


def unquoted(code: str) -> str:
    """Code of a factor with the plain names of its columns."""
    return re.sub(r"""Q\((["'])(.*?)\1\)""", r"\2", code)


def plain_name(column: str) -> str:
    """Name of a column in words: ``pit[Quarry]:distance`` is "distance in Quarry"."""
    pit = re.match(r"pit\[(?:T\.)?(.*?)\](?::(.+))?$", column)
    rest = pit.group(2) if pit else column
    if pit and rest is None:
        return pit.group(1)
    words = re.sub(r"\[(?:T\.)?(.*?)\]", r" (\1)", unquoted(rest or ""))
    return f"{words} in {pit.group(1)}" if pit else words
