"""How reading and estimating a season grow with it: time and memory.

From the top of the repository::

    python -m tests.benchmarks.season_growth

Each season is made anew (studies of 20 bakes of 20 items, 4 pits, 5 sessions), read by
one process and again, enlarged by a study and read once more, estimated, shown as a
page, and read afresh by two processes. Processor seconds do not depend on what else the
machine does; clock seconds do. The result is kept in ``season_growth.json`` and
``.png`` beside this file.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from shutil import rmtree

import numpy as np
import pandas as pd

import pitstats as ps

RESULT = Path(__file__).with_suffix(".json")
STUDIES = (5, 50, 500)
BAKES = 20


def make_studies(season: Path, numbers: Iterable[int]) -> None:
    """Write studies that differ in what burned."""
    cells = pd.MultiIndex.from_product([[1, 2], range(1, 11)], names=["row", "column"])
    names = [f"{pit}{k}" for k in range(5) for pit in "ABCD"]
    pits = [name[0] for name in names]
    items = pd.concat({name: cells.to_frame(index=False) for name in names})
    items = items.reset_index(names=["bake", "item"]).drop(columns="item")
    first = ps.Study(
        settings=ps.Settings(
            title="Day", question="Which pit burns more?", temperature_rule="same grate"
        ),
        pits=pd.DataFrame({"pit": list("ABCD")}),
        grates=pd.DataFrame(
            {"pit": list("ABCD"), "grate": "main", "rows": 2, "columns": 10}
        ),
        bakes=pd.DataFrame(
            {"bake": names, "pit": pits, "session": [name[1] for name in names]}
        ),
        items=items.assign(grate="main", burned=0),
    )
    with tempfile.TemporaryDirectory() as made:
        ps.write_study(first, Path(made) / "study")
        texts = {path.name: path.read_text() for path in Path(made, "study").iterdir()}
    head, *lines = texts.pop("items.csv").splitlines()
    pit = np.array(["ABCD".index(line[0]) for line in lines])
    bake = np.arange(len(lines)) // (len(lines) // BAKES)
    for number in numbers:
        rng = np.random.default_rng(number)
        logit = 0.5 * pit - 1.5 + rng.normal(0, 0.5) + rng.normal(0, 0.5, BAKES)[bake]
        burned = rng.random(len(lines)) < 1 / (1 + np.exp(-logit))
        rows = [
            line.replace(",no,", ",yes,") if dark else line
            for line, dark in zip(lines, burned, strict=True)
        ]
        target = season / f"day {number}"
        target.mkdir(parents=True)
        for name, text in {**texts, "items.csv": "\n".join([head, *rows])}.items():
            (target / name).write_text(text)


def timed(work: Callable[[], object]) -> dict[str, float]:
    """Processor and clock seconds of a call."""
    clock, processor = time.perf_counter(), time.process_time()
    work()
    return {
        "processor": round(time.process_time() - processor, 3),
        "clock": round(time.perf_counter() - clock, 3),
    }


def measure(season: Path, n_studies: int) -> dict[str, object]:
    """Times of everything done with one season, and the most memory held."""
    make_studies(season, range(n_studies))
    ps.estimate_burn_rates(ps.read_study(season / "day 0"))  # imports are not counted
    found: dict[str, object] = {"bakes": BAKES * n_studies}
    found["read"] = timed(lambda: ps.read_season(season, n_jobs=1))
    found["read_again"] = timed(lambda: ps.read_season(season))
    make_studies(season, [n_studies])
    found["one_added"] = timed(lambda: ps.read_season(season))
    read = ps.read_season(season)
    results = ps.SeasonResults(read)
    found["estimate"] = timed(lambda: results.estimate)
    found["page"] = timed(lambda: make_page(results))
    found["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    rmtree(season / ".pitstats-season")
    found["read_by_two"] = timed(lambda: ps.read_season(season, n_jobs=2))
    return found


def make_page(results: ps.SeasonResults) -> None:
    """Everything that the season's page shows, in the order of its notebook."""
    page = ps.Page("", results.about)
    page.html(ps.pages.season(results))
    for asked in (
        ps.ask.season_rates,
        ps.ask.season_pairs,
        ps.ask.season_course,
        ps.ask.season_graders,
        ps.ask.safety,
    ):
        page.html(asked(results))


def draw(kept: list[dict]) -> None:
    """Draw processor seconds against bakes, beside growth of n log n."""
    from matplotlib.figure import Figure

    bakes = np.array([each["bakes"] for each in kept], dtype=float)
    figure = Figure(figsize=(6, 4), layout="constrained")
    axes = figure.subplots()
    for name, label in (
        ("read", "read and checked"),
        ("estimate", "estimated"),
        ("page", "all else on the page"),
        ("one_added", "one study added"),
    ):
        axes.loglog(bakes, [e[name]["processor"] for e in kept], "o-", label=label)
    guide = bakes * np.log(bakes)
    start = kept[0]["read"]["processor"]
    axes.loglog(bakes, start * guide / guide[0], "--", color="0.5", label="n log n")
    axes.set_xlabel("Bakes")
    axes.set_ylabel("Processor seconds")
    axes.set_title("A season, read by one process")
    axes.legend(frameon=False)
    figure.savefig(RESULT.with_suffix(".png"), dpi=110)


def main() -> None:
    """Measure every size in a process of its own."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--one", type=int, help="measure this number of studies only")
    asked = parser.parse_args()
    if asked.one:
        with tempfile.TemporaryDirectory() as folder:
            print(json.dumps(measure(Path(folder), asked.one)))
        return
    kept = []
    again = [sys.executable, "-m", "tests.benchmarks.season_growth", "--one"]
    for size in STUDIES:
        done = subprocess.run([*again, str(size)], stdout=subprocess.PIPE, check=True)
        load = round(os.getloadavg()[0], 1)
        kept.append(json.loads(done.stdout) | {"load_of_machine": load})
        print(kept[-1], flush=True)
    RESULT.write_text(json.dumps(kept, indent=1) + "\n")
    draw(kept)


if __name__ == "__main__":
    main()
