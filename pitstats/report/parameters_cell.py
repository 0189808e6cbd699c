"""The parameters of a notebook that is open: refused if a name or value is mistyped."""

from __future__ import annotations

import ast
import builtins
import sys
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from pitstats.errors import DesignError
from pitstats.report.render.parameters import unknown_parameter, wrong_type

#: First line of the cell that papermill puts behind the parameters.
_INJECTED = "# Parameters"


def check_parameters() -> None:
    """Stop a notebook whose parameters hold a mistyped name or a value of another kind.

    To be called in the cell that uses them first. Outside of a notebook it does
    nothing.

    Raises
    ------
    DesignError
        Names the parameter, and the one that may have been meant.

    Notes
    -----
    Parameters are the names that a cell declares with their type, as in
    ``seed: int = 1``. A name without a type beside them, or one that papermill was
    given and no cell declares, would be ignored without a word.

    Examples
    --------
    >>> check_parameters()
    """
    ipython = sys.modules.get("IPython")
    shell = ipython.get_ipython() if ipython is not None else None
    if shell is not None:
        check_cells(list(shell.user_ns.get("In", ())), shell.user_ns)


def check_cells(cells: Iterable[str], values: Mapping[str, Any]) -> None:
    """Check the cells that were run, the last being the one that asks."""
    *before, asking = [_parsed(cell) for cell in cells]
    declared, stale, loose = _declared(before)
    for name in loose:
        if name not in declared:
            raise DesignError(unknown_parameter(name, declared))
    used, own = _names(asking)
    for name in used:
        gone = name in stale or name not in {*values, *own, *dir(builtins)}
        if name not in declared and gone:
            rest = [other for other in declared if other not in used]
            raise DesignError(
                f"The parameter {name!r} is not set. The parameters are "
                f"{', '.join(rest or declared)}: look for one that is misspelled."
            )
    for name, kind in declared.items():
        words = wrong_type(kind, values.get(name)) if name in values else ""
        if words:
            raise DesignError(f"{name} is {values[name]!r}; it must be {words}.")


def _declared(cells: list[ast.Module]) -> tuple[dict[str, str], set[str], list[str]]:
    """Names declared with their types, those no longer declared, and loose ones.

    A cell that was run again, changed, takes the place of its earlier self.
    """
    current: list[tuple[dict[str, str], list[str]]] = []
    stale: set[str] = set()
    for cell in cells:
        typed = {
            part.target.id: ast.unparse(part.annotation)
            for part in cell.body
            if isinstance(part, ast.AnnAssign) and isinstance(part.target, ast.Name)
        }
        if typed:
            old = [own for own in current if typed.keys() & own[0].keys()]
            stale.update(name for own, _ in old for name in own)
            current = [own for own in current if own not in old]
            current.append((typed, list(_assigned(cell))))
        elif getattr(cell, "injected", False) and current:
            current[-1][1].extend(_assigned(cell))
    declared = {name: kind for own, _ in current for name, kind in own.items()}
    return declared, stale, [name for _, loose in current for name in loose]


def _assigned(cell: ast.Module) -> Iterator[str]:
    for part in cell.body:
        if isinstance(part, ast.Assign):
            yield from (t.id for t in part.targets if isinstance(t, ast.Name))


def _names(cell: ast.Module) -> tuple[list[str], set[str]]:
    """Names that a cell reads, and those that it sets or imports itself."""
    names = [node for node in ast.walk(cell) if isinstance(node, ast.Name)]
    used = [node.id for node in names if isinstance(node.ctx, ast.Load)]
    own = {node.id for node in names if not isinstance(node.ctx, ast.Load)}
    for node in ast.walk(cell):
        if isinstance(node, ast.Import | ast.ImportFrom):
            own |= {(name.asname or name.name).split(".")[0] for name in node.names}
        elif isinstance(node, ast.arg):
            own.add(node.arg)
        elif isinstance(node, ast.FunctionDef | ast.ClassDef):
            own.add(node.name)
    return list(dict.fromkeys(used)), own


def _parsed(cell: str) -> ast.Module:
    """Parse a cell; one that is no Python of its own declares nothing."""
    try:
        parsed = ast.parse(cell)
    except (SyntaxError, ValueError):
        return ast.Module(body=[], type_ignores=[])
    parsed.injected = cell.lstrip().startswith(_INJECTED)  # type: ignore[attr-defined]
    return parsed
