"""Files of the phone page, damaged or falsified, given to a study.

Each try damages a whole file (letters cut, changed, doubled, encoded otherwise) or
falsifies one (values of other kinds, codes, plans and keys, with a right sum). Allowed
is: refused with nothing changed, recorded as if whole, or, for a falsified file whose
content is possible, recorded as it says. Run ``python -m tests.hard_use.phone_file``.
"""

from __future__ import annotations

import argparse
import copy
import json
import random
import resource
import shutil
import time
from collections import Counter
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pitstats as ps
from pitstats.planning.layout import randomize_layout
from pitstats.study.grade_file import check_sum, read_grade_file
from pitstats.study.raw import UnreadableError
from tests.study import grade_files

RESULT = Path(__file__).with_suffix(".json")
_VALUES: list[Any] = [
    None, True, -1, 0, 10**12, 1e308, "", "dark", "burnt", "=1+1", "\x00", "\ud800",
    "x" * 40_000, [], {}, [[]], {"top": "raw"}, "2026-05-02T14:00:00+02:00", "9999",
    "\u202eabc", "2026-05-02", "s" * 13, "times", "second", 3,
]  # fmt: skip


class Tries:
    """One plan, one whole file, and what recording it gives."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.plan = randomize_layout({"Oak": (2, 3), "Creek": (2, 3)}, bakes=1, seed=3)
        study = self.plan.study
        codes = study.items["code"].tolist()
        grades = study.settings.grades
        entries = [
            grade_files.item(
                code, grades[k % 5], grades[(k + 2) % 5], notes=f"é {k} 🔥"
            )
            for k, code in enumerate(codes)
        ]
        entries[2] = grade_files.item(codes[2], missing="fallen", rise_mm="41.5")
        self.content = grade_files.content(
            study,
            grade_files.sheet(entries),
            grade_files.sheet(entries[:4], "Bo", "sbo00001", "second"),
            grade_files.times(
                [
                    grade_files.timed(1, "2026-05-02T14:00:00+02:00"),
                    grade_files.timed(
                        2, "2026-05-02T14:02:00+02:00", "2026-05-02T14:22:00+02:00"
                    ),
                ],
                sheet="stess001",
            ),
        )
        self.text = json.dumps(self.content, ensure_ascii=False, indent=1)
        ps.write_study(study, folder / "plan")
        self.bytes = _bytes(folder / "plan")
        self.place = folder / "copy"
        assert not self.record(self.text.encode("utf-8"))
        self.whole = ps.read_study(self.place)
        assert not self.unchanged()

    def unchanged(self) -> bool:
        """Tell whether the copy holds what the plan holds, to the letter."""
        return _bytes(self.place) == self.bytes

    def record(self, data: bytes) -> str:
        """Record a file in a fresh copy of the plan; return what was said of it."""
        if not self.place.exists() or not self.unchanged():
            shutil.rmtree(self.place, ignore_errors=True)
            shutil.copytree(self.folder / "plan", self.place)
        file = self.folder / "file.json"
        file.write_bytes(data)
        try:
            ps.record_grades(self.place, file)
        except ps.PitstatsError as error:
            return str(error) or "an error without words"
        return ""

    def try_once(self, draw: random.Random) -> str:
        """Damage or falsify the file once; return what became of it."""
        if draw.random() < 0.7:
            return self._damaged(_damage(self.text.encode("utf-8"), draw), draw)
        found = copy.deepcopy(self.content)
        for _ in range(draw.randint(1, 2)):
            _falsify(found, draw)
        found.pop("sum", None)
        try:
            found["sum"] = check_sum(found)
            data = json.dumps(found, ensure_ascii=draw.random() < 0.5).encode("utf-8")
        except (UnicodeEncodeError, ValueError):
            return "cannot be written"
        if self.record(data):
            return "refused" if self.unchanged() else "REFUSED BUT CHANGED"
        says = _says(ps.read_study(self.place), found)
        return "as it says" if says else "RECORDED OTHERWISE"

    def _damaged(self, data: bytes, draw: random.Random) -> str:
        (self.folder / "file.json").write_bytes(data)
        try:
            read_grade_file(self.folder / "file.json")
        except UnreadableError:
            if draw.random() < 0.97:  # the same words come from recording it
                return "refused"
        if self.record(data):
            return "refused" if self.unchanged() else "REFUSED BUT CHANGED"
        same = ps.read_study(self.place) == self.whole
        return "as if whole" if same else "SILENTLY CHANGED"


def _bytes(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def _damage(data: bytes, draw: random.Random) -> bytes:
    """Damage bytes as mail, clipboards, disks and people do."""
    at, to = sorted((draw.randrange(len(data)), draw.randrange(len(data))))
    letter = bytes([draw.randrange(256)])
    text = data.decode("utf-8")
    line = draw.randrange(1, 70)
    return draw.choice(
        [
            lambda: data[:at],
            lambda: data[at:],
            lambda: data[:at] + data[to:],
            lambda: data[:at] + letter + data[at + 1 :],
            lambda: data[:at] + letter + data[at:],
            lambda: data[:to] + data[at:],
            lambda: data[:at] + data[at:to][::-1] + data[to:],
            lambda: text.encode("utf-16"),
            lambda: text.encode("utf-8").decode("latin-1").encode("utf-8"),
            lambda: text.encode("ascii", "replace"),
            lambda: text.replace('"', "\u201d", draw.randint(1, 9)).encode("utf-8"),
            lambda: text.replace("\n", "\r\n" + " " * line).encode("utf-8"),
            lambda: f"Hello {{\n{text}\nbye".encode(),
            lambda: f"Hello,\n{text}\nbye".encode(),
            lambda: data + data,
            lambda: b"\xef\xbb\xbf" + data,
            lambda: text.replace("dark", "raw", 1).encode("utf-8"),
            lambda: text.replace("1", "2", draw.randint(1, 3)).encode("utf-8"),
            lambda: bytes(draw.randrange(256) for _ in range(draw.randrange(3000))),
        ]
    )()


def _falsify(found: Any, draw: random.Random) -> None:
    """Change one value, key or part somewhere in the content."""
    while True:
        keys: list[Any] = (
            list(found) if isinstance(found, dict) else [*range(len(found))]
        )
        if not keys:
            return
        key = draw.choice(keys)
        if isinstance(found[key], dict | list) and draw.random() < 0.85:
            found = found[key]
            continue
        what = draw.random()
        if what < 0.6:
            found[key] = copy.deepcopy(draw.choice(_VALUES))
        elif what < 0.75:
            del found[key]
        elif isinstance(found, dict):
            found[draw.choice(["x", "grades", "code", "sum "])] = found[key]
        else:
            found.append(copy.deepcopy(found[key]))
        return


def _says(study: ps.Study, found: dict[str, Any]) -> bool:
    """Tell whether a study holds every grade that a content holds, read anew."""
    tables = [study.items, study.regrades]
    for sheet in found["sheets"]:
        for entry in sheet.get("items", ()):
            if not any(entry["grades"].values()):
                continue
            rows = [
                row
                for table in tables
                for row in table[table["code"].eq(entry["code"])].to_dict("records")
                if row.get("sheet") == sheet["sheet"]
            ]
            wanted = {f"grade_{face}": g for face, g in entry["grades"].items() if g}
            if len(rows) != 1 or any(rows[0][k] != g for k, g in wanted.items()):
                return False
    return True


def run(tries: int, seed: int) -> dict[str, Any]:
    """Try as often as wished and count what became of the files."""
    count: Counter[str] = Counter()
    begin, longest = time.perf_counter(), 0.0
    with TemporaryDirectory() as folder:
        all_tries = Tries(Path(folder))
        for number in range(tries):
            start = time.perf_counter()
            try:
                end = all_tries.try_once(random.Random(seed + number))
            except Exception as error:
                end = f"UNCAUGHT {type(error).__name__} at seed {seed + number}"
            count[end] += 1
            longest = max(longest, time.perf_counter() - start)
    return {
        "tries": tries,
        "seed": seed,
        "ends": dict(count.most_common()),
        "wrong": sum(n for end, n in count.items() if end[:2].isupper()),
        "longest_seconds": round(longest, 2),
        "seconds": round(time.perf_counter() - begin, 1),
        "peak_memory_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024,
    }


def main() -> None:
    """Run tries and add the result to those that are kept."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tries", type=int, default=2_500)
    parser.add_argument("--seed", type=int, default=1_000_000)
    stated = parser.parse_args()
    result = run(stated.tries, stated.seed)
    kept = json.loads(RESULT.read_text("utf-8")) if RESULT.exists() else []
    RESULT.write_text(json.dumps([*kept, result], indent=1) + "\n", encoding="utf-8")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
