"""A grid of evidence: bakes, what burned, how clear it is, what the audit found."""

from __future__ import annotations

import ast
import inspect
from functools import cache
from itertools import product
from pathlib import Path

import pandas as pd

import pitstats as ps
from pitstats.analysis import fairness
from tests.analysis.rates.test_rates import counts_study

BAKES = (1, 2, 3, 4, 5, 6)
BURNED = ("none", "some", "all")
RELATION = ("clear", "unclear", "equivalent")
SEVERITIES = ("spoils", "weakens", "note")

#: Share of items burned in the first pit, and in the other by how clear it should be.
_FIRST = {"none": 0.0, "some": 0.25, "all": 1.0}
_OTHER = {
    ("none", "clear"): 0.8,
    ("none", "unclear"): 0.0,
    ("none", "equivalent"): 0.0,
    ("some", "clear"): 0.95,
    ("some", "unclear"): 0.35,
    ("some", "equivalent"): 0.25,
    ("all", "clear"): 0.2,
    ("all", "unclear"): 1.0,
    ("all", "equivalent"): 1.0,
}
#: One item that came out otherwise: nothing is quite none, nothing quite all.
_ODD_ONE = {("none", "unclear"): 1, ("all", "unclear"): -1}


@cache
def evidence(
    n_bakes: int, burned: str, relation: str, *, margin: bool = True
) -> tuple[ps.Study, ps.PitComparison, ps.BurnRates]:
    """Study of two pits, its comparison and its rates; steady fires."""
    n_items = 60 if relation == "equivalent" else 20
    shares = {"Quarry": _FIRST[burned], "Ferry": _OTHER[burned, relation]}
    frame = pd.DataFrame(
        [
            {
                "bake": f"{pit} {i}",
                "pit": pit,
                "n_items": n_items,
                "n_burned": round(share * n_items)
                + (_ODD_ONE.get((burned, relation), 0) * (pit == "Ferry" and i == 0)),
            }
            for pit, share in shares.items()
            for i in range(n_bakes)
        ]
    )
    stated = 0.3 if relation == "equivalent" and margin else None
    study = counts_study(frame, margin=stated)
    return study, ps.compare_pits(study), ps.estimate_burn_rates(study)


GRID = list(product(BAKES, BURNED, RELATION))


def names_of_findings() -> list[str]:
    """Ids that the audit can give, read from its source; a setting stands for all."""
    source = Path(inspect.getfile(fairness))
    folder = source.parent if source.stem == "__init__" else None
    modules = sorted(folder.glob("*.py")) if folder else [source]
    found = set()
    for module in modules:
        for node in ast.walk(ast.parse(module.read_text("utf-8"))):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name)):
                continue
            if node.func.id == "Finding" and node.args:
                found.add(_name(node.args[0]))
    return sorted(found)


def _name(node: ast.expr) -> str:
    if isinstance(node, ast.Constant):
        return str(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(
            part.value if isinstance(part, ast.Constant) else "damper_open"
            for part in node.values
        )
    return "any"


def finding(name: str, severity: str) -> ps.Finding:
    """One finding of the audit, with a text of its own."""
    return ps.Finding(
        name,
        severity,
        f"What {name} found, in 3 of 9 bakes.",
        "Bake again.",
        why="It matters.",
        wording="Say so.",
        touches=("difference", "rates"),
        short=f"what {name} found",
    )
