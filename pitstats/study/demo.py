"""Simulated studies whose true rates are known, and those that ship as demos.

The scenario is invented: a yard with four wood-fired pits called Quarry, Ferry, Orchard
and Mill. ``python -m pitstats.study.demo`` writes the shipped studies again.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from pitstats.errors import ArgumentError, DesignError
from pitstats.study.atomic import write_folder
from pitstats.study.files import read_study, write_study
from pitstats.study.folder_files import study_files
from pitstats.study.settings import Settings
from pitstats.study.shipped import shipped_folder
from pitstats.study.simulate_probes import (
    ProbedPit,
    ProbeTruth,
    SimulatedProbes,
    simulate_probes,
)
from pitstats.study.study import Study

# Latent browning of the darkest face; an item is burned above 0. The steps below it
# are wide enough that a pit burning one item in five leaves a few items raw.
_CUTS = {"raw": -np.inf, "light": -5.0, "golden": -3.2, "dark": -1.2, "burned": 0.0}
_GRADES = tuple(_CUTS)
_TRUTH = "probe_truth.json"
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(40)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()


@dataclass(frozen=True, kw_only=True)
class SimulatedPit:
    """A pit with a stated truth.

    Attributes
    ----------
    pit : str
        Its name.
    rate : float
        Long-run burn rate over the cells it uses, between 0 and 1; 0 never burns.
    slope : float, default -2.0
        Change of the log odds of burning from the firebox wall to the far wall.
    grates : mapping of str to (rows, columns)
        Size of each grate; the first is the lowest.
    grate_effects : mapping of str to float
        Added log odds on a grate (0 where not named).
    columns_used : mapping of str to sequence of int, optional
        Columns that get items, where not all do.
    top_share : float, default 0.6
        Probability that the top is the darker face.
    flow, label : str
        As in ``pits.csv``.
    bake : mapping of str to object
        Columns of ``bakes.csv`` that are the same in all bakes of the pit.
    """

    pit: str
    rate: float
    slope: float = -2.0
    grates: Mapping[str, tuple[int, int]] = field(
        default_factory=lambda: {"main": (3, 6)}
    )
    grate_effects: Mapping[str, float] = field(default_factory=dict)
    columns_used: Mapping[str, Sequence[int]] | None = None
    top_share: float = 0.6
    flow: str = "conventional"
    label: str = ""
    bake: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, eq=False)
class Truth:
    """What a simulated study was made from.

    Attributes
    ----------
    rates : pandas.DataFrame
        ``pit, rate, slope, intercept``; ``rate`` is the long-run burn rate over the
        cells the pit used, ``intercept`` the log odds at distance 0 in a bake of
        average heat.
    sd_bake, sd_session : float
        SD between bakes and between sessions on the logit scale.
    """

    rates: pd.DataFrame
    sd_bake: float
    sd_session: float


class SimulatedStudy(NamedTuple):
    """A study together with its truth."""

    study: Study
    truth: Truth


def simulate_study(
    pits: Sequence[SimulatedPit],
    *,
    bakes: int | Sequence[int] = 4,
    sd_bake: float = 0.6,
    sd_session: float = 0.0,
    share_missing: float = 0.0,
    fixed_order: bool = False,
    settings: Settings | None = None,
    rng: np.random.Generator,
) -> SimulatedStudy:
    """Simulate a bake test: items that share the fire of their bake.

    Parameters
    ----------
    pits : sequence of SimulatedPit
        The pits and their true rates.
    bakes : int or sequence of int, default 4
        Bakes per pit, one number for all or one for each. Bake ``k`` of every pit
        belongs to session ``k``.
    sd_bake, sd_session : float
        Between-bake and between-session SD on the logit scale.
    share_missing : float, default 0
        Probability that an item is lost before grading.
    fixed_order : bool, default False
        Bake the pits in the same order in every session instead of rotating.
    settings : Settings, optional
        The study's settings; grades must be the default five.
    rng : numpy.random.Generator
        Source of all randomness.

    Returns
    -------
    SimulatedStudy
        ``study`` and ``truth``.

    Raises
    ------
    DesignError
        If a rate, a number of bakes or a probability is impossible.

    Notes
    -----
    Logit-normal bake effects as in `stats.bake_rates`: an item on cell ``x`` in a bake
    with effect ``u`` burns with probability ``expit(intercept + slope * distance +
    grate effect + u)``. The intercept is solved so that the average over the used
    cells and over bakes is the stated rate.

    Examples
    --------
    >>> import numpy as np
    >>> made = simulate_study(
    ...     [SimulatedPit(pit="A", rate=0.2), SimulatedPit(pit="B", rate=0.4)],
    ...     bakes=2, rng=np.random.default_rng(1),
    ... )
    >>> made.study.bakes["bake"].tolist()
    ['A-1', 'B-1', 'A-2', 'B-2']
    """
    counts = _checked(pits, bakes, (sd_bake, sd_session), share_missing)
    total_sd = float(np.hypot(sd_bake, sd_session))
    cells = {pit.pit: _cells(pit) for pit in pits}
    intercepts = {p.pit: _intercept(p, cells[p.pit], total_sd) for p in pits}
    session_effect = rng.normal(0.0, sd_session, size=max(counts))
    base_order = list(range(len(pits))) if fixed_order else _shuffled(len(pits), rng)
    bake_rows: list[dict[str, object]] = []
    item_frames: list[pd.DataFrame] = []
    for session in range(max(counts)):
        shift = 0 if fixed_order else session
        order = base_order[shift % len(pits) :] + base_order[: shift % len(pits)]
        place = {index: rank + 1 for rank, index in enumerate(order)}
        for index, pit in enumerate(pits):
            if session >= counts[index]:
                continue
            name = f"{pit.pit}-{session + 1}"
            heat = session_effect[session] + rng.normal(0.0, sd_bake)
            bake_rows.append(_bake_row(pit, name, session + 1, place[index], rng))
            item_frames.append(
                _items(
                    pit,
                    name,
                    cells[pit.pit],
                    intercepts[pit.pit] + heat,
                    share_missing,
                    rng,
                )
            )
    study = _assemble(pits, bake_rows, item_frames, settings, rng)
    rates = pd.DataFrame(
        {
            "pit": [p.pit for p in pits],
            "rate": [float(p.rate) for p in pits],
            "slope": [float(p.slope) for p in pits],
            "intercept": [intercepts[p.pit] for p in pits],
        }
    )
    truth = Truth(rates=rates, sd_bake=float(sd_bake), sd_session=float(sd_session))
    return SimulatedStudy(study, truth)


def _checked(
    pits: Sequence[SimulatedPit],
    bakes: int | Sequence[int],
    sds: tuple[float, float],
    share_missing: float,
) -> list[int]:
    if not pits:
        raise DesignError("No pits were given; give at least one SimulatedPit.")
    counts = [bakes] * len(pits) if isinstance(bakes, int) else list(bakes)
    if len(counts) != len(pits) or min(counts) < 1:
        raise ArgumentError(
            f"bakes is {bakes}; give one number of at least 1, or one for each of the "
            f"{len(pits)} pits."
        )
    for pit in pits:
        if not 0 <= pit.rate < 1:
            raise DesignError(
                f"The rate of pit {pit.pit} is {pit.rate:g}; it must be at least 0 and "
                "below 1."
            )
    if min(sds) < 0:
        raise DesignError("A standard deviation is below 0; give 0 or more.")
    if not 0 <= share_missing < 1:
        raise ArgumentError(
            f"share_missing is {share_missing:g}; give 0 or more and less than 1."
        )
    return counts


def _shuffled(n: int, rng: np.random.Generator) -> list[int]:
    return [int(i) for i in rng.permutation(n)]


def _cells(pit: SimulatedPit) -> pd.DataFrame:
    rows = []
    for grate, (n_rows, n_columns) in pit.grates.items():
        used = (pit.columns_used or {}).get(grate, range(1, n_columns + 1))
        rows += [
            (grate, row, column, (column - 0.5) / n_columns)
            for row in range(1, n_rows + 1)
            for column in used
        ]
    return pd.DataFrame(rows, columns=["grate", "row", "column", "distance"])


def _offsets(pit: SimulatedPit, cells: pd.DataFrame) -> np.ndarray[Any, Any]:
    effects = cells["grate"].map(lambda grate: pit.grate_effects.get(grate, 0.0))
    return (pit.slope * cells["distance"] + effects.astype(float)).to_numpy()


def _intercept(pit: SimulatedPit, cells: pd.DataFrame, total_sd: float) -> float:
    """Solve for the intercept that gives the stated long-run rate."""
    if pit.rate == 0:
        return -np.inf
    from scipy.optimize import brentq
    from scipy.special import expit

    offsets = _offsets(pit, cells)[:, None] + total_sd * _NODES[None, :]

    def gap(intercept: float) -> float:
        return float((expit(intercept + offsets) @ _WEIGHTS).mean() - pit.rate)

    return float(brentq(gap, -40.0, 40.0, xtol=1e-12))


def _bake_row(
    pit: SimulatedPit,
    name: str,
    session: int,
    order: int,
    rng: np.random.Generator,
) -> dict[str, object]:
    indicated = 325 + int(rng.integers(-4, 5))
    row: dict[str, object] = {
        "bake": name,
        "pit": pit.pit,
        "session": f"day {session}",
        "order": order,
        "lot": "lot A",
        "target_temp": 325,
        "indicated_temp": indicated,
        "grate_temp": indicated + int(rng.integers(-3, 4)),
        "damper_open": 1.0,
        "intake_open": 0.5,
        "wood": "oak",
        "minutes": 22,
        "tender": "crew 1",
        "grader": "grader 1",
        "blind": True,
        "ambient_temp": 50 + int(rng.integers(0, 15)),
        "openings": 0,
        "rotated": False,
        "status": "kept",
    }
    return row | dict(pit.bake)


def _items(
    pit: SimulatedPit,
    bake: str,
    cells: pd.DataFrame,
    intercept: float,
    share_missing: float,
    rng: np.random.Generator,
) -> pd.DataFrame:
    n = len(cells)
    noise = rng.logistic(size=n)
    if np.isinf(intercept):
        # A pit that never burns still browns: keep it just below the cut.
        browning = np.minimum(-2.5 + _offsets(pit, cells) + noise, -1e-6)
    else:
        browning = intercept + _offsets(pit, cells) + noise
    cuts = np.array(list(_CUTS.values()))
    darkest = np.searchsorted(cuts, browning, side="right") - 1
    other = np.maximum(darkest - rng.integers(0, 2, size=n), 0)
    top_first = rng.random(n) < pit.top_share
    grades = np.array(_GRADES)
    frame = cells[["grate", "row", "column"]].copy()
    frame.insert(0, "bake", bake)
    frame["grade_top"] = grades[np.where(top_first, darkest, other)]
    frame["grade_bottom"] = grades[np.where(top_first, other, darkest)]
    frame["load_rank"] = rng.permutation(n) + 1
    frame["missing"] = pd.Series([None] * n, dtype="str", index=frame.index)
    lost = rng.random(n) < share_missing
    reasons = np.array(["fallen", "stuck", "torn"])[rng.integers(0, 3, size=n)]
    frame.loc[lost, "missing"] = reasons[lost]
    frame.loc[lost, ["grade_top", "grade_bottom"]] = None
    return frame


def _assemble(
    pits: Sequence[SimulatedPit],
    bake_rows: list[dict[str, object]],
    item_frames: list[pd.DataFrame],
    settings: Settings | None,
    rng: np.random.Generator,
) -> Study:
    items = pd.concat(item_frames, ignore_index=True)
    digits = max(3, len(str((10 * len(items) - 1) // 9)))
    codes = rng.choice(np.arange(10 ** (digits - 1), 10**digits), len(items), False)
    items.insert(4, "code", [str(code) for code in codes])
    grates = pd.DataFrame(
        [
            (pit.pit, grate, rows, columns, 4.0, 4.0, level)
            for pit in pits
            for level, (grate, (rows, columns)) in enumerate(pit.grates.items(), 1)
        ],
        columns=[
            "pit",
            "grate",
            "rows",
            "columns",
            "cell_length",
            "cell_width",
            "level",
        ],
    )
    table = pd.DataFrame(
        {
            "pit": [p.pit for p in pits],
            "label": [p.label or p.pit for p in pits],
            "flow": [p.flow for p in pits],
            "has_damper": True,
            "has_intake": True,
        }
    )
    return Study(
        settings=settings or _demo_settings("Simulated bake test"),
        pits=table,
        grates=grates,
        bakes=pd.DataFrame(bake_rows),
        items=items,
    )


def _demo_settings(title: str, question: str = "Which pit burns more?") -> Settings:
    return Settings(
        title=title,
        question=question,
        temperature_unit="F",
        length_unit="in",
        temperature_rule="same grate",
        stop_rule="22 minutes after the lid is closed",
        margin=0.15,
    )


@dataclass(frozen=True, kw_only=True)
class _Demo:
    seed: int
    pits: tuple[SimulatedPit, ...]
    title: str
    question: str
    bakes: int = 4
    sd_bake: float = 0.6
    share_missing: float = 0.0
    fixed_order: bool = False
    probed: tuple[ProbedPit, ...] = ()
    # Simulated apart, and one pit in the study: before and after a change.
    same_pit: Mapping[str, str] = field(default_factory=dict)
    looks_planned: tuple[int, ...] = ()
    looks_taken: tuple[int, ...] = ()


_DEMOS: dict[str, _Demo] = {
    "four_pits": _Demo(
        seed=20260411,
        title="Four pits in one yard",
        question="Which of the four pits burns more biscuits, and where?",
        pits=(
            SimulatedPit(pit="Quarry", rate=0.40, slope=-3.0, label="Quarry (long)"),
            SimulatedPit(
                pit="Ferry",
                rate=0.12,
                slope=-1.0,
                grates={"main": (3, 5)},
                flow="reverse",
                top_share=0.3,
                label="Ferry (plate under the grate)",
            ),
            SimulatedPit(
                pit="Orchard",
                rate=0.18,
                grates={"main": (2, 8)},
                label="Orchard (narrow)",
            ),
            SimulatedPit(
                pit="Mill",
                rate=0.22,
                slope=-2.0,
                grates={"main": (4, 5), "upper": (2, 5)},
                grate_effects={"upper": 0.8},
                label="Mill (two grates)",
            ),
        ),
        share_missing=0.02,
    ),
    # Looked at after 2 and 4 bakes of each pit, as planned; stopped at the second look.
    "early_stop": _Demo(
        seed=20260711,
        title="Stopped at the second look",
        question="Does Quarry burn more than Ferry?",
        pits=(
            SimulatedPit(pit="Quarry", rate=0.55, grates={"main": (4, 4)}),
            SimulatedPit(pit="Ferry", rate=0.15, grates={"main": (4, 4)}),
        ),
        sd_bake=0.5,
        looks_planned=(2, 4, 6),
        looks_taken=(2, 4),
    ),
    "one_bake_each": _Demo(
        seed=20260502,
        title="One afternoon, two pits",
        question="Does Quarry burn more than Ferry?",
        pits=(
            SimulatedPit(pit="Quarry", rate=0.45, slope=-2.5),
            SimulatedPit(pit="Ferry", rate=0.20, grates={"main": (2, 8)}),
        ),
        bakes=1,
    ),
    "nothing_burned": _Demo(
        seed=20260516,
        title="The pit that burned nothing",
        question="Can we say that Ferry never burns a biscuit?",
        pits=(
            SimulatedPit(pit="Quarry", rate=0.30, slope=-2.5),
            SimulatedPit(pit="Ferry", rate=0.0, grates={"main": (3, 5)}),
        ),
        bakes=3,
    ),
    "unfair_order": _Demo(
        seed=20260530,
        title="Always in the same order",
        question="Does Mill burn more than Orchard and Quarry?",
        pits=(
            SimulatedPit(pit="Orchard", rate=0.15, grates={"main": (3, 6)}),
            SimulatedPit(
                pit="Quarry",
                rate=0.25,
                grates={"main": (3, 6)},
                bake={"damper_open": 0.5},
            ),
            SimulatedPit(
                pit="Mill", rate=0.45, grates={"main": (3, 6)}, bake={"blind": False}
            ),
        ),
        bakes=3,
        fixed_order=True,
    ),
    # At the same place Quarry burns more. It was filled away from the firebox and
    # Orchard towards it, so the raw rates say the opposite.
    "unequal_layouts": _Demo(
        seed=20260620,
        title="The ranking that turned around",
        question="Does Orchard burn more than Quarry at the same place?",
        pits=(
            SimulatedPit(
                pit="Quarry",
                rate=0.30,
                slope=-8.0,
                grates={"main": (3, 8)},
                columns_used={"main": range(3, 9)},
                label="Quarry (filled from the far end)",
            ),
            SimulatedPit(
                pit="Orchard",
                rate=0.46,
                slope=-8.0,
                grates={"main": (3, 8)},
                columns_used={"main": range(1, 7)},
                label="Orchard (filled from the firebox)",
            ),
        ),
        bakes=6,
        sd_bake=0.4,
    ),
    # Shutting the damper by half helps: 55 % burned before, 20 % after.
    "moved_damper": _Demo(
        seed=20260719,
        title="The damper half shut",
        question="Does Quarry burn less with its damper half shut?",
        pits=(
            SimulatedPit(pit="Quarry", rate=0.55, slope=-3.0),
            SimulatedPit(
                pit="Quarry half shut",
                rate=0.20,
                slope=-1.5,
                bake={"damper_open": 0.5},
            ),
            SimulatedPit(pit="Ferry", rate=0.25, slope=-1.0),
        ),
        sd_bake=0.5,
        same_pit={"Quarry half shut": "Quarry"},
    ),
    # Both pits are held at one reading of their own gauges, which do not agree.
    "probed_pits": _Demo(
        seed=20260704,
        title="Two pits, seven probes",
        question="Does Quarry run hotter than its own gauge says, and where?",
        pits=(
            SimulatedPit(
                pit="Quarry", rate=0.40, slope=-3.0, bake={"minutes": 25, "blind": True}
            ),
            SimulatedPit(
                pit="Ferry",
                rate=0.12,
                slope=-1.0,
                grates={"main": (3, 5)},
                flow="reverse",
                top_share=0.3,
                bake={"minutes": 25},
            ),
        ),
        share_missing=0.02,
        probed=(
            ProbedPit(
                pit="Quarry",
                gauge_offset=-26.0,
                fall=44.0,
                cells=[(1, 1), (3, 1), (2, 2), (2, 4), (1, 6), (3, 6), (2, 5)],
                rise=50.0,
                rise_fall=6.0,
            ),
            ProbedPit(
                pit="Ferry",
                gauge_offset=7.0,
                fall=14.0,
                cells=[(1, 1), (3, 1), (2, 2), (2, 3), (1, 5), (3, 5), (2, 4)],
                rise=46.0,
                rise_fall=2.0,
            ),
        ),
    ),
}


def demo_names() -> list[str]:
    """Names of the demo studies that ship with the package.

    Examples
    --------
    >>> demo_names()[0]
    'four_pits'
    """
    return list(_DEMOS)


def demo_study(name: str) -> Study:
    """Read one of the shipped demo studies.

    Parameters
    ----------
    name : str
        One of `demo_names`.

    Returns
    -------
    Study
        The study; its invented truth stands beside it in ``truth.json``.

    Raises
    ------
    DesignError
        If there is no demo study of that name.

    Examples
    --------
    >>> demo_study("nothing_burned").settings.title
    'The pit that burned nothing'
    """
    return read_study(demo_folder(name))


def demo_folder(name: str) -> Path:
    """Folder of a shipped demo study (see `demo_study` for names and errors)."""
    if name not in _DEMOS:
        raise DesignError(
            f"There is no demo study {name!r}; the names are {', '.join(_DEMOS)}."
        )
    return shipped_folder("data") / name


def copy_demo(name: str, dest: Path, *, overwrite: bool = False) -> None:
    """Copy a shipped demo study to a folder of one's own, whole or not at all."""
    source = demo_folder(name)
    write_folder(
        dest,
        {
            file.relative_to(source).as_posix(): file.read_bytes()
            for file in sorted(source.rglob("*"))
            if file.is_file()
        },
        kind="study",
        overwrite=overwrite,
        unless_changed=study_files(dest),
    )


def simulate_demo(name: str) -> SimulatedStudy:
    """Simulate a demo study again from its recorded seed."""
    made = _simulate_items(name)
    if not _DEMOS[name].probed:
        return made
    return SimulatedStudy(simulate_demo_probes(name).study, made.truth)


def _simulate_items(name: str) -> SimulatedStudy:
    """Simulate a demo study without probes."""
    demo = _DEMOS[name]
    made = simulate_study(
        demo.pits,
        bakes=demo.bakes,
        sd_bake=demo.sd_bake,
        share_missing=demo.share_missing,
        fixed_order=demo.fixed_order,
        settings=_demo_settings(demo.title, demo.question),
        rng=np.random.default_rng(demo.seed),
    )
    note = (
        f"Simulated with seed {demo.seed}, between-bake SD {demo.sd_bake:g} (logit); "
        "the true rates stand in truth.json."
    )
    extra = dict(made.study.settings.extra) | {"simulated": note}
    settings = replace(
        made.study.settings,
        extra=extra,
        looks_planned=demo.looks_planned,
        looks_taken=demo.looks_taken,
    )
    if demo.probed:
        settings = replace(
            settings,
            temperature_rule="same indicated",
            stop_rule="25 minutes after the lid is closed",
            extra=extra
            | {"simulated": f"{note[:-1]}, those of the probes in {_TRUTH}."},
        )
    study = replace(made.study, settings=settings)
    return SimulatedStudy(_as_one_pit(study, demo.same_pit), made.truth)


def _as_one_pit(study: Study, same_pit: Mapping[str, str]) -> Study:
    """Give bakes that were simulated as those of another pit back to their pit."""
    if not same_pit:
        return study
    pits, grates = (
        frame[~frame["pit"].isin(list(same_pit))]
        for frame in (study.pits, study.grates)
    )
    bakes = study.bakes.assign(pit=study.bakes["pit"].replace(dict(same_pit)))
    return replace(study, pits=pits, grates=grates, bakes=bakes)


def simulate_demo_probes(name: str) -> SimulatedProbes:
    """Simulate the probe readings of a demo study again."""
    demo = _DEMOS[name]
    if not demo.probed:
        raise DesignError(f"The demo study {name} has no probes.")
    # A stream of its own, so that the items are those of the same study without probes.
    rng = np.random.default_rng([demo.seed, 1])
    study = _simulate_items(name).study
    return simulate_probes(study, demo.probed, faults=True, rng=rng)


def write_demos(folder: Path) -> None:
    """Write every demo study and its truth below a folder, replacing what is there."""
    for name in _DEMOS:
        made = simulate_demo(name)
        write_study(made.study, folder / name, overwrite=True)
        made.truth.rates.to_json(
            folder / name / "truth.json", orient="records", indent=1
        )
        if _DEMOS[name].probed:
            text = _probe_truth_text(simulate_demo_probes(name).truth)
            (folder / name / _TRUTH).write_text(text, encoding="utf-8")


def _probe_truth_text(truth: ProbeTruth) -> str:
    told = {
        "pits": truth.pits.to_dict("records"),
        "probe_offsets": dict(truth.offsets),
        "sd_bake": truth.sd_bake,
        "sd_gauge": truth.sd_gauge,
        "stuck": truth.stuck,
        "gap": truth.gap,
        "cells": truth.cells.round({"temp": 2}).to_dict("records"),
    }
    return json.dumps(told, indent=1) + "\n"


if __name__ == "__main__":
    write_demos(shipped_folder("data"))
