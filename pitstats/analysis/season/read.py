"""Read a folder of studies as one season."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import permutations
from pathlib import Path
from typing import Any

import pandas as pd

from pitstats.analysis.season.summary import (
    content_hash,
    keep_summary,
    kept_summary,
    summarize_study,
)
from pitstats.errors import DesignError, ExistsError, InvalidStudyError, Problem, some
from pitstats.stats.workers import workers
from pitstats.study.atomic import write_file
from pitstats.study.cells import listing, texts
from pitstats.study.csv_text import read_csv, write_csv
from pitstats.study.files import read_study
from pitstats.study.lookup import found, looked_in
from pitstats.study.problems import ProblemLog
from pitstats.study.raw import UnreadableError
from pitstats.study.reading import file_bytes
from pitstats.study.schema import Column, Table
from pitstats.study.shipped import shipped_folder
from pitstats.study.study import Study
from pitstats.study.workbook import ENTRY, SHEETS

#: The table beside the studies that says which pits are one and what counts alike.
MATCHES = "season.csv"
_MANY = 40  # studies that are worth starting processes for
_MATCH_COLUMNS = ("study", "pit", "season_pit", "burned_as")
_MATCH_TABLE = Table(
    name="season",
    one_row="",
    when="",
    key=(),
    columns=tuple(Column(name=n, kind="text", meaning="") for n in _MATCH_COLUMNS),
)
_BAKE_COLUMNS = (
    "study",
    "bake",
    "pit",
    "pit_in_study",
    "session",
    "tender",
    "grader",
    "n_items",
    "n_burned",
    "n_missing",
)


class StudyShelf(Mapping[str, Study]):
    """Studies of a season by name; each is read when it is first asked for."""

    def __init__(self, paths: Mapping[str, Path]) -> None:
        self._paths = dict(paths)
        self._read: dict[str, Study] = {}

    def __getitem__(self, name: str) -> Study:
        if name not in self._read:
            self._read[name] = read_study(self._paths[name])
        return self._read[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._paths)

    def __len__(self) -> int:
        return len(self._paths)


@dataclass(frozen=True, kw_only=True, eq=False)
class Season:
    """Studies read as one.

    Attributes
    ----------
    path : pathlib.Path
        Folder of the season.
    name : str
        What pages call it: the name of that folder.
    burned_as : str
        How the bakes that count say which items burned: scale, cut and deciding face.
    regraded : tuple of str
        Studies in which items were graded twice.
    studies : mapping of str to Study
        The studies by name, in order; each is read when asked for.
    bakes : pandas.DataFrame
        One row per bake that counts: ``study, bake, pit`` (its name in the season),
        ``pit_in_study, session, tender, grader, n_items, n_burned, n_missing``.
    rates : pandas.DataFrame
        One row per study and pit: ``study, pit, n_bakes, n_items, n_burned, estimate,
        conf_low, conf_high``, each study by itself, without effects of sessions.
    left_out : pandas.DataFrame
        ``study, bake, reason`` of every bake that does not count.
    questions : tuple of str
        What only the user can settle, such as names that may mean one pit.
    """

    path: Path
    name: str
    burned_as: str
    regraded: tuple[str, ...]
    studies: StudyShelf
    bakes: pd.DataFrame
    rates: pd.DataFrame
    left_out: pd.DataFrame
    questions: tuple[str, ...] = field(default=())

    def __repr__(self) -> str:
        pits = self.bakes["pit"].nunique()
        return (
            f"Season({len(self.studies)} studies, {pits} pits, {len(self.bakes)} bakes)"
        )


def read_season(
    path: str | Path,
    *,
    n_jobs: int | None = None,
    progress: bool = False,
    keep: bool = True,
) -> Season:
    """Read every study in a folder as one season.

    Parameters
    ----------
    path : path-like
        Folder whose subfolders and workbooks are studies, the entry workbooks in the
        folders of their sheets among them. A table ``season.csv``
        (``study, pit, season_pit, burned_as``) in it says which pits of different
        studies are one, and which studies count burned items alike; without it equal
        names are one pit.
    n_jobs : int, optional
        Processes to read with. When not given, what `joblib.parallel_config` says, such
        as the workers of a cluster that see the folder too, or all cores when many
        studies are to be read.
    progress : bool, default False
        Show a progress bar on stderr.
    keep : bool, default True
        Keep summaries beside the studies, so that only new and changed ones are read
        again.

    Returns
    -------
    Season

    Raises
    ------
    InvalidStudyError
        If a study or the table of matches has problems; all of them are listed.
    DesignError
        If there is no study in the folder.

    Notes
    -----
    A bake with the same name, session, pit and grades in two studies is counted once.
    Bakes of studies that count burned items in another way than most are left out,
    with the reason. Summaries are kept in ``.pitstats-season`` under the hash of each
    study's files. The numbers are the same for any number of processes.

    Examples
    --------
    >>> import pitstats as ps
    >>> ps.read_season("my_season")  # doctest: +SKIP
    Season(12 studies, 3 pits, 84 bakes)
    """
    season = found(path)
    paths, summaries, planned = _studies(season, n_jobs, progress, keep=keep)
    matches = _read_matches(season, summaries)
    bakes, rates = _frames(summaries, matches)
    left_out = [
        (study, bake, f"excluded: {reason}" if reason else "excluded")
        for study, summary in summaries.items()
        for bake, reason in summary["excluded"]
    ]
    bakes, told = _once(bakes)
    left_out += told
    ways = bakes.drop_duplicates("study").set_index("study")["burned_as"]
    way, bakes, told = _counted_alike(bakes)
    left_out += told
    return Season(
        path=season,
        name=season.name,
        burned_as=way,
        regraded=tuple(n for n, summary in summaries.items() if summary["regraded"]),
        studies=StudyShelf(paths),
        bakes=bakes[list(_BAKE_COLUMNS)].reset_index(drop=True),
        rates=rates,
        left_out=pd.DataFrame(
            left_out, columns=["study", "bake", "reason"], dtype="str"
        ),
        questions=(
            *_told_of_plans(planned),
            *_told_of_others(season),
            *_told_of_ways(way, ways),
            *_similar(matches),
        ),
    )


def demo_season() -> Season:
    """The shipped demo studies as one season.

    Returns
    -------
    Season

    See Also
    --------
    read_season : A season of your own.

    Examples
    --------
    >>> import pitstats as ps
    >>> ps.demo_season()
    Season(8 studies, 4 pits, 73 bakes)
    """
    season = read_season(shipped_folder("data"), keep=False)
    return replace(season, name="All demo studies")


def write_matches(season: Season, *, overwrite: bool = False) -> Path:
    """Write ``season.csv`` as it stands, for the user to edit."""
    target = season.path / MATCHES
    if target.exists() and not overwrite:
        raise ExistsError(f"{target} is already there and was left as it is. Edit it.")
    _, summaries, _ = _studies(season.path)
    matches = _read_matches(season.path, summaries)
    rows = [
        (study, pit, name, counted) for (study, pit), (name, counted) in matches.items()
    ]
    write_file(target, write_csv(_MATCH_COLUMNS, rows), overwrite=overwrite)
    return target


def _study_paths(season: Path) -> dict[str, Path]:
    if season.exists() and is_study(season):
        raise DesignError(
            f"{season} is a study itself, not a folder of studies. Give a folder that "
            "holds it and the others of the season; this one alone is read by "
            f"'pitstats compare {season}'."
        )
    if season.is_file():
        raise DesignError(
            f"{season} is a file. Give the folder that holds the studies of the season."
        )
    if not season.is_dir():
        raise DesignError(
            f"{season}: there is no folder of this name.{looked_in(season)} Check the "
            "path."
        )
    found: dict[str, Path] = {}
    for entry in sorted(season.iterdir(), key=lambda entry: _natural(entry.name)):
        path = entry
        if entry.name.endswith(SHEETS) and (entry / ENTRY).is_file():
            path = entry / ENTRY
        elif not is_study(entry):
            continue
        name = entry.stem if entry.is_file() else entry.name
        if name in found:
            raise DesignError(
                f"{found[name]} and {path} are two studies of one name. Rename one, or "
                "move it away if it is a copy."
            )
        found[name] = path
    if not found:
        raise DesignError(
            f"{season} holds no study. Put study folders or workbooks into it, each "
            "under a name of its own."
        )
    return found


def _studies(
    season: Path,
    n_jobs: int | None = None,
    progress: bool = False,
    *,
    keep: bool = True,
) -> tuple[dict[str, Path], dict[str, dict[str, Any]], list[str]]:
    """Paths and summaries of the studies with a bake, and the names of the others.

    The workbook beside the sheets of a plan is called by the plan.
    """
    paths = _study_paths(season)
    summaries = _summaries(season, paths, n_jobs, progress, keep=keep)
    made = {n: s for n, s in summaries.items() if s["bakes"] or s["excluded"]}
    plain = {n: n.removesuffix(SHEETS) for n in made}
    names = {n: n if p in made else p for n, p in plain.items()}
    return (
        {name: paths[n] for n, name in names.items()},
        {name: made[n] for n, name in names.items()},
        [n for n in summaries if n not in made and n not in names.values()],
    )


def _told_of_plans(planned: list[str]) -> Iterator[str]:
    """Say which studies are plans still, so that no record of theirs is missed."""
    if planned:
        are = "is a plan" if len(planned) == 1 else "are plans"
        yield (
            f"{listing(planned, 'and')} {are} without a bake that was made, and not "
            "counted among the studies."
        )


#: What may hold a record, and is no study as it stands.
_RECORDS = frozenset({".csv", ".tsv", ".xls", ".xlsb", ".ods", ".zip", ".toml"})


def _told_of_others(season: Path) -> Iterator[str]:
    """Name what may be a record and is not read, so that none is missed."""
    others = [
        entry.name
        for entry in sorted(season.iterdir(), key=lambda entry: _natural(entry.name))
        if not (entry.name.startswith((".", "~")) or is_study(entry))
        and _may_be_record(entry)
    ]
    if others:
        yield (
            f"Not read, because a study is a folder with study.toml and bakes.csv or "
            f"a workbook: {some(others)}."
        )


def _may_be_record(entry: Path) -> bool:
    """Whether a file, or a folder by its files, may be a record; not what we write."""
    if entry.is_dir():
        if entry.name.endswith(SHEETS):
            return False
        return any(is_study(own) or _may_be_record(own) for own in _files(entry))
    ours = entry.name == MATCHES or entry.stem.endswith("-changes")
    return entry.suffix.lower() in _RECORDS and not ours


def _files(folder: Path) -> list[Path]:
    return [own for own in folder.iterdir() if not own.name.startswith((".", "~"))]


def _told_of_ways(way: str, ways: pd.Series) -> Iterator[str]:
    """Say how the bakes of another way of counting can come to count."""
    other = [str(study) for study in ways.index[ways != way]]
    if other:
        counts = "counts" if len(other) == 1 else "count"
        yield (
            f"{listing(other, 'and')} {counts} burned items otherwise than most. If "
            "the grades are the same, state grades, burned_from and face there as in "
            "the others. If only their names differ, write one burned_as in "
            f"{MATCHES}, which 'pitstats season --matches' makes."
        )


def is_study(entry: Path) -> bool:
    """Tell whether a folder or file is a study to be read."""
    if entry.name.startswith((".", "~")):
        return False
    if entry.is_dir():
        return (entry / "study.toml").is_file() and (entry / "bakes.csv").is_file()
    return entry.suffix.lower() in (".xlsx", ".xlsm")


def _natural(name: str) -> list[tuple[bool, int, str]]:
    """Order in which 'day 2' stands before 'day 10'."""
    parts: list[str] = []
    for letter in name.casefold():
        same = parts and parts[-1][-1].isdecimal() == letter.isdecimal()
        parts[len(parts) - 1 : len(parts)] = (
            [parts[-1] + letter] if same else [*parts[-1:], letter]
        )
    return [(not p.isdecimal(), int(p) if p.isdecimal() else 0, p) for p in parts]


def _summaries(
    season: Path,
    paths: Mapping[str, Path],
    n_jobs: int | None = None,
    progress: bool = False,
    *,
    keep: bool = True,
) -> dict[str, dict[str, Any]]:
    """Summary of every study: kept ones, and the rest read; all problems at once."""
    from joblib import Parallel, delayed
    from tqdm import tqdm

    digests = {name: content_hash(path) for name, path in paths.items()}
    kept = {name: kept_summary(season, digest) for name, digest in digests.items()}
    new = [name for name, summary in kept.items() if summary is None]
    n_jobs = workers(n_jobs, pieces=len(new), long=len(new) > _MANY)
    run = Parallel(n_jobs=n_jobs, return_as="generator")
    place = season if keep else None
    done = run(delayed(_summary)(place, paths[name], digests[name]) for name in new)
    read = tqdm(done, "Studies", len(new), disable=not (progress and new))
    found = kept | dict(zip(new, read, strict=True))
    problems: list[Problem] = []
    summaries: dict[str, dict[str, Any]] = {}
    for name, result in found.items():
        if isinstance(result, dict):
            summaries[name] = result
            continue
        for p in result or []:
            file = f"{name}: {p.file}" if p.file else ""
            problems.append(replace(p, table=f"{name}: {p.table}", file=file))
    if problems:
        raise InvalidStudyError(problems, source=str(season))
    return summaries


def _summary(
    season: Path | None, path: Path, digest: str
) -> dict[str, Any] | list[Problem]:
    """Summary of one study, read and kept where a season is given, or its problems."""
    found: dict[str, Any] | list[Problem]
    try:
        found = summarize_study(read_study(path))
    except InvalidStudyError as error:
        found = error.problems
    now = content_hash(path)
    if now != digest:  # somebody wrote while it was read
        return _summary(season, path, now)
    if season is not None and isinstance(found, dict):
        keep_summary(season, digest, found)
    return found


Matches = dict[tuple[str, str], tuple[str, str]]


def _read_matches(season: Path, summaries: Mapping[str, dict[str, Any]]) -> Matches:
    """Name in the season of every pit of every study, and how it counts."""
    matches: Matches = {
        (study, pit): (pit, summary["burned_as"])
        for study, summary in summaries.items()
        for pit in dict.fromkeys(row["pit"] for row in summary["bakes"])
    }
    table = season / MATCHES
    if not table.is_file():
        return matches
    log = ProblemLog()
    try:
        frame = read_csv(_MATCH_TABLE, file_bytes(table), log)
    except (OSError, UnreadableError) as error:
        log.problems.append(Problem("season", None, None, f"cannot be read: {error}"))
    if log.problems:
        raise InvalidStudyError(log.ordered(), source=str(table))
    problems = [
        Problem("season", None, name, "is missing. Let pitstats write the table again.")
        for name in _MATCH_COLUMNS
        if name not in frame.columns
    ]
    if problems:
        raise InvalidStudyError(problems, source=str(table))
    seen: set[tuple[str, str]] = set()
    columns = [texts(frame[name]) for name in _MATCH_COLUMNS]
    for row, study, pit, name, counted in zip(frame.index, *columns, strict=True):
        if (study, pit) not in matches:
            message = (
                f"there is no pit {pit!r} in a study {study!r}. Correct or delete it."
            )
            problems.append(Problem("season", row, "pit", message))
        elif (study, pit) in seen:
            message = f"pit {pit!r} of study {study!r} stands here twice. Delete one."
            problems.append(Problem("season", row, "pit", message))
        else:
            seen.add((study, pit))
            was = matches[study, pit]
            matches[study, pit] = (name or was[0], counted or was[1])
    if problems:
        raise InvalidStudyError(problems, source=str(table))
    return matches


def _frames(
    summaries: Mapping[str, dict[str, Any]], matches: Matches
) -> tuple[pd.DataFrame, pd.DataFrame]:
    rows, rates = [], []
    for study, summary in summaries.items():
        for row in summary["bakes"]:
            pit, counted = matches[study, row["pit"]]
            own = {"study": study, "pit_in_study": row["pit"], "burned_as": counted}
            rows.append({**row, **own, "pit": pit})
        for row in summary["rates"]:
            if (study, row["pit"]) in matches:
                pit = matches[study, row["pit"]][0]
                rates.append({"study": study, **row, "pit": pit})
    columns = [*_BAKE_COLUMNS, "fingerprint", "burned_as"]
    shown = ["study", "pit", "n_bakes", "n_items", "n_burned", "estimate"]
    return (
        pd.DataFrame(rows, columns=columns),
        pd.DataFrame(rates, columns=[*shown, "conf_low", "conf_high"]),
    )


_LeftOut = list[tuple[str, str, str]]


def _once(bakes: pd.DataFrame) -> tuple[pd.DataFrame, _LeftOut]:
    """Count a bake once that two studies hold."""
    same = ["bake", "session", "pit", "fingerprint"]
    again = bakes.duplicated(same) & (bakes["n_items"] > 0)
    first = bakes.groupby(same)["study"].transform("first")
    told = [
        (study, bake, f"the same bake as in study {other}")
        for study, bake, other in zip(
            bakes.loc[again, "study"],
            bakes.loc[again, "bake"],
            first[again],
            strict=True,
        )
    ]
    return bakes[~again], told


def _counted_alike(bakes: pd.DataFrame) -> tuple[str, pd.DataFrame, _LeftOut]:
    """Keep apart what counts burned items in another way than most bakes do."""
    ways = bakes["burned_as"].value_counts()
    if len(ways) < 2:
        return "".join(ways.index), bakes, []
    other = bakes["burned_as"] != ways.index[0]
    columns = [bakes.loc[other, name] for name in ("study", "bake", "burned_as")]
    told = [
        (study, bake, f"counts burned items otherwise ({way})")
        for study, bake, way in zip(*columns, strict=True)
    ]
    return str(ways.index[0]), bakes[~other], told


def _similar(matches: Matches) -> Iterator[str]:
    """Ask about names that may mean one pit."""
    groups: dict[str, dict[str, None]] = {}
    studies: dict[str, set[str]] = {}
    for (study, _), (name, _) in matches.items():
        studies.setdefault(name, set()).add(study)
    for name in studies:
        loose = unicodedata.normalize("NFKC", name).casefold()
        key = "".join(letter for letter in loose if letter.isalnum())
        groups.setdefault(key, {})[name] = None
    # A pit that was given a longer name, and never met the one of the shorter name.
    longer = [
        dict.fromkeys((name, other))
        for name, other in permutations(studies, 2)
        if set(name.casefold().split()) < set(other.casefold().split())
        and not studies[name] & studies[other]
    ]
    for names in (*groups.values(), *longer):
        if len(names) > 1:
            shown = " and ".join(repr(name) for name in names)
            yield (
                f"Are {shown} one pit? They are taken as {len(names)}; give them one "
                f"name in the column season_pit of {MATCHES} if they are; "
                "'pitstats season --matches' makes that table."
            )
