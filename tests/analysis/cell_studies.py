"""Studies whose cells or items have a measured quantity, made to order."""

import numpy as np
import pandas as pd

from pitstats.study import Settings, Study


def bakes_study(
    n_bakes: dict[str, int],
    size: dict[str, tuple[int, int]] | tuple[int, int] = (2, 6),
    *,
    unit: str = "F",
    sessions: bool = False,
    target: float | None = 350.0,
    conf_level: float = 0.95,
    items: pd.DataFrame | None = None,
    **tables: pd.DataFrame,
) -> Study:
    """A study with pits, grates and bakes; counts stand for the items."""
    pits = list(n_bakes)
    sizes = size if isinstance(size, dict) else dict.fromkeys(pits, size)
    rows = [(f"{p}{k}", p, k) for p in pits for k in range(1, n_bakes[p] + 1)]
    bakes = pd.DataFrame(rows, columns=["bake", "pit", "order"])
    if sessions:
        bakes["session"] = "day " + bakes["order"].astype(str)
    if target is not None:
        bakes["target_temp"] = target
    counts = bakes[["bake"]].assign(n_items=6, n_burned=1)
    if items is not None:
        counts = counts[~counts["bake"].isin(items["bake"])]
        tables["items"] = items
    grates = tables.pop("grates", None)
    if grates is None:
        grates = pd.DataFrame(
            [(p, "main", *sizes[p]) for p in pits],
            columns=["pit", "grate", "rows", "columns"],
        )
    return Study(
        settings=Settings(
            title="Made to order",
            question="Which is hotter?",
            temperature_rule="same grate",
            temperature_unit=unit,
            conf_level=conf_level,
        ),
        pits=pd.DataFrame({"pit": pits}),
        grates=grates,
        bakes=bakes,
        counts=counts,
        **tables,
    )


def cell_frame(
    study: Study,
    rng: np.random.Generator,
    *,
    level: dict[str, float],
    fall: dict[str, float] | None = None,
    sd_bake: float = 5.0,
    sd_cell: float = 2.0,
    value: str = "temp",
) -> pd.DataFrame:
    """Every cell of every bake with a level, a fall along the grate and scatter."""
    rows = []
    grates = study.grates.set_index("pit")
    for bake, pit in zip(study.bakes["bake"], study.bakes["pit"], strict=True):
        own = grates.loc[[pit]]
        shift = rng.normal(0, sd_bake)
        for grate, n_rows, n_columns in zip(
            own["grate"], own["rows"], own["columns"], strict=True
        ):
            for row in range(1, int(n_rows) + 1):
                for column in range(1, int(n_columns) + 1):
                    distance = (column - 0.5) / n_columns
                    mean = level[pit] - (fall or {}).get(pit, 0.0) * (distance - 0.5)
                    y = mean + shift + rng.normal(0, sd_cell)
                    rows.append((bake, pit, grate, row, column, y, 60))
    names = ["bake", "pit", "grate", "row", "column", value, "n_readings"]
    return pd.DataFrame(rows, columns=names)
