"""Hard use: damaged and hostile files, kills and full disks; the result is kept.

Run ``python -m tests.hard_use [--tries 10000] [--points 200] [--seed 1]``. Each part
says how many tries it made, how many ended in an error that is not told in a sentence,
how many were not as they should be, the longest try and the memory. What failed stands
in the result by name, so that it can be run again.
"""

from __future__ import annotations

import argparse
import json
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.hard_use import damage, writing

RESULT = Path(__file__).with_name("result.json")
_SHARES = {"folders": 0.25, "workbooks": 0.15, "photographs": 0.2, "formulas": 0.4}
_PARTS = ["killed", "disk full", *_SHARES]


def tried(
    attempt: Callable[[np.random.Generator, Path], str], count: int, seed: int
) -> dict[str, object]:
    """Make many attempts, each with a generator and an empty folder of its own."""
    uncaught: dict[str, int] = {}
    wrong: dict[str, int] = {}
    longest = 0.0
    for number in range(count):
        rng = np.random.default_rng([seed, number])
        started = time.process_time()
        with tempfile.TemporaryDirectory() as folder:
            try:
                found = attempt(rng, Path(folder))
            except Exception as error:
                uncaught[f"{number}: {type(error).__name__}: {error}"[:300]] = number
                found = ""
        if found:
            wrong[f"{number}: {found}"[:300]] = number
        longest = max(longest, time.process_time() - started)
    return {
        "tries": count,
        "uncaught": len(uncaught),
        "wrong": len(wrong),
        "longest_s": round(longest, 2),
        "examples": [*list(uncaught)[:5], *list(wrong)[:5]],
    }


def points(fate: writing.Fate, total: int) -> dict[str, object]:
    """Kill or starve all writing commands at points spread over all their steps."""
    wrong, made = [], 0
    with tempfile.TemporaryDirectory() as place:
        all_commands = writing.commands()
        for command in all_commands:
            folder = Path(place) / command.name
            steps, after = writing.undisturbed(command, folder / "undisturbed")
            wanted = min(steps, -(-total // len(all_commands)))
            for step in sorted({*np.linspace(1, steps, wanted).round().astype(int)}):
                made += 1
                tried_in = folder / f"{step}"
                said = writing.verdict(command, tried_in, fate, int(step), after)
                if said:
                    wrong.append(f"{command.name}, step {step} of {steps}: {said}")
    return {"tries": made, "wrong": len(wrong), "examples": wrong[:10]}


def main() -> None:
    """Run all parts; write the result after each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tries", type=int, default=10_000)
    parser.add_argument("--points", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=_PARTS, nargs="+", default=_PARTS)
    parser.add_argument("--out", type=Path, default=RESULT)
    asked = parser.parse_args()
    result: dict[str, object] = {"seed": asked.seed, "asked_for": asked.tries}
    if asked.out.exists():
        # Parts that are not asked for keep the result they had.
        result = json.loads(asked.out.read_text("utf-8")) | result
    parts: dict[str, Callable[[], dict[str, object]]] = {
        name: lambda name=name: tried(  # type: ignore[misc]
            damage.ATTEMPTS[name], int(asked.tries * _SHARES[name]), asked.seed
        )
        for name in _SHARES
    }
    parts["killed"] = lambda: points("killed", asked.points)
    parts["disk full"] = lambda: points("disk full", asked.points)
    for name in asked.only:
        started = time.process_time()
        result[name] = {
            **parts[name](),
            "cpu_s": round(time.process_time() - started, 1),
            "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
        }
        asked.out.write_text(json.dumps(result, indent=1) + "\n", encoding="utf-8")
        print(name, result[name], flush=True)


if __name__ == "__main__":
    main()
