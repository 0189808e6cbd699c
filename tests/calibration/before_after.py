"""One table: what was said before and is said now, where the former models failed.

From the top of the repository::

    python -m tests.calibration.before_after        # writes before_after.md

The first part simulates the cells in which one spread for all pits was seen to fail,
and those that show what the change costs; they suggested the candidates, so they judge
nothing here (``own_spread`` does, on other cells). The other parts are read from the
kept results of ``sessions``, ``heat`` and ``evenness``, each before and after on the
same simulated sets.
"""

from __future__ import annotations

import json
from pathlib import Path

from pitstats.stats.spread_prior import OWN
from tests.calibration.own_spread import ALL, Cell, run_cell

HERE = Path(__file__).parent
SETS, SEED = 4_000, 20_263
NOW = next(name for name, prior in ALL.items() if prior == OWN)


def spread_cells() -> list[Cell]:
    """Tests of 18 items a bake; the first pit is the moody one."""
    found = []
    for bakes, sds in (
        ((2, 5), (1.2, 0.2)),
        ((2, 6), (1.2, 0.2)),
        ((2, 8), (1.2, 0.2)),
        ((1, 5), (1.2, 0.2)),
        ((3, 3), (1.2, 0.2)),
        ((2, 6), (0.8, 0.3)),
        *(((k, k), (1.0, 1.0)) for k in (3, 5)),
        *(((k, k), (1.2, 1.2)) for k in (2, 3, 5)),
    ):
        found.append(Cell("equal rates", bakes, 18, (0.3, 0.3), sds))
    for each in ((2, 4, 4, 4), *((3,) * pits for pits in (3, 4, 5, 6))):
        sds = (1.3,) + (0.3,) * (len(each) - 1)
        found.append(Cell("equal rates", each, 18, (0.25,) * len(each), sds))
    for k in (2, 3, 5):
        found.append(Cell("unlike rates", (k, k), 18, (0.2, 0.5), (0.6, 0.6)))
    for k in (3, 5):
        rates = (0.2, 0.5, 0.5, 0.5)
        found.append(Cell("unlike rates", (k,) * 4, 18, rates, (0.6,) * 4))
    for bakes in ((2, 12), (1, 8), (1, 12), (3, 9), (3, 12), (4, 12)):
        found.append(Cell("equal rates", bakes, 18, (0.3, 0.3), (1.2, 0.2)))
    return found


def spread_rows() -> list[list[object]]:
    """Coverage of the first difference and first rate, and how often pits differ."""
    rows = []
    for number, cell in enumerate(spread_cells()):
        found = run_cell(cell, number, SETS, SEED, ("common", NOW))["found"]
        before, now = found["common"], found[NOW]
        said = "power" if cell.different else "any_separated"
        rows.append(
            [
                ", ".join(map(str, cell.bakes)),
                ", ".join(map(str, cell.sds)),
                ", ".join(map(str, cell.rates)),
                *(share(f.get("coverage")) for f in (before, now)),
                *(share(f["rate_coverage"][0]) for f in (before, now)),
                *(share(f[said]) for f in (before, now)),
            ]
        )
        print(*rows[-1], sep=" | ", flush=True)
    return rows


def session_rows() -> list[list[object]]:
    """Every kept cell of blocked tests, sessions ignored and sessions led by."""
    rows = []
    for kept in json.loads((HERE / "sessions.json").read_text())["cells"].values():
        cell, before, now = kept["cell"], kept["ignored"], kept["sessions"]
        rows.append(
            [
                f"{cell['pits']} x {cell['bakes']}, {cell['blocks']}",
                f"{cell['sd_session']}, {cell['sd_bake']}",
                f"{cell['rate']}, {round(cell['rate'] + cell['difference'], 3)}",
                *(share(f["covered"]) for f in (before, now)),
                *(share(f["any_pair"]) for f in (before, now)),
            ]
        )
    return rows


def evenness_rows() -> list[list[object]]:
    """Worst and mean over the kept cells of near less far."""
    cells = json.loads((HERE / "evenness.json").read_text())["cells"].values()
    rows = []
    for key, worst in (("fall", min), ("between", min), ("alarm", max)):
        values = [
            [c[name][key] for c in cells if key != "alarm" or alike(c)]
            for name in ("before", "tilt, whole")
        ]
        rows.append(
            [
                {
                    "fall": "near less far covered",
                    "between": "its difference between pits covered",
                    "alarm": "equal falls called different",
                }[key],
                *(share(worst(v)) for v in values),
                *(share(sum(v) / len(v)) for v in values),
            ]
        )
    return rows


def alike(kept: dict) -> bool:
    """Whether both pits of a kept cell have the same shape."""
    return len(set(kept["cell"]["shapes"])) == 1


def heat_rows() -> list[list[object]]:
    """False alarms of mean temperatures by method: worst and mean over the cells."""
    two = json.loads((HERE / "heat.json").read_text())["methods"]["two"]
    return [
        [name + (" (taken)" if name == two["chosen"] else ""), *map(share, ends)]
        for name, found in two["methods"].items()
        for ends in [[v for v in found.values() if isinstance(v, float)]]
    ]


def share(value: float | None) -> str:
    """Three digits, or a dash."""
    return "-" if value is None else f"{value:.3f}"


def table(title: str, header: str, rows: list[list[object]]) -> str:
    """One table of the page."""
    names = header.split("|")
    lines = [names, ["---"] * len(names), *rows]
    return f"## {title}\n\n" + "\n".join(
        "| " + " | ".join(map(str, line)) + " |" for line in lines
    )


def main() -> None:
    """Write the page."""
    two = json.loads((HERE / "heat.json").read_text())["methods"]["two"]["methods"]
    names = [k for k, v in next(iter(two.values())).items() if isinstance(v, float)]
    parts = [
        "# Before and after\n\nMade by `python -m tests.calibration.before_after`; "
        "do not edit. Shares of simulated tests; 95 % intervals.",
        table(
            f"Own spreads: one spread for all pits, then one for each ({SETS:,} sets)",
            "bakes|SD of bakes|rates|difference covered|now|first rate covered|now|"
            "some pair differs|now",
            spread_rows(),
        ),
        table(
            "Sessions: as baked, then with the session effect",
            "pits x bakes, blocks|SD of sessions, bakes|rates|difference covered|now|"
            "some pair differs|now",
            session_rows(),
        ),
        table(
            "Near less far: no tilt, then a tilt and parts of a whole",
            "what|worst cell|now|mean|now",
            evenness_rows(),
        ),
        table(
            "Mean temperatures of two pits", "|".join(["method", *names]), heat_rows()
        ),
    ]
    path = HERE / "before_after.md"
    path.write_text("\n\n".join(parts) + "\n", encoding="utf-8")
    print(path)


if __name__ == "__main__":
    main()
