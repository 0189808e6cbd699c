"""Read, check, write and start studies: a folder or a workbook."""

from __future__ import annotations

import os
from pathlib import Path

from pitstats.errors import BusyError, InvalidStudyError, Problem, WriteError
from pitstats.study.atomic import PathLike, write_file
from pitstats.study.blank import GratesOfPits, afternoon_tables
from pitstats.study.checks import check_tables
from pitstats.study.folder_files import (
    blank_texts,
    folder_texts,
    read_folder,
    write_study_folder,
)
from pitstats.study.frozen_plan import kept_plan
from pitstats.study.lookup import found, looked_in
from pitstats.study.photos import say_photos
from pitstats.study.problems import ProblemLog
from pitstats.study.raw import RawStudy, UnreadableError
from pitstats.study.reading import file_bytes
from pitstats.study.settings_checks import read_settings
from pitstats.study.study import Study
from pitstats.study.switch import settle_target
from pitstats.study.totals import check_no_results
from pitstats.study.workbook_files import read_workbook, workbook_bytes
from pitstats.study.workbook_mark import marked, refuse_changed

_WORKBOOKS = (".xlsx", ".xlsm")
_OTHER_FILES = (".xls", ".xlsm", ".xlsb", ".ods", ".csv", ".tsv", ".toml", ".zip")


def read_study(path: PathLike) -> Study:
    """Read a study from a folder or a workbook.

    Parameters
    ----------
    path : str or path
        A folder with ``study.toml`` and CSV files, or an ``.xlsx`` workbook. In a
        notebook a relative path is looked for in the working folder and beside the
        notebook.

    Returns
    -------
    Study
        Its ``assumptions`` say what was assumed in reading.

    Raises
    ------
    InvalidStudyError
        If anything is wrong; ``problems`` lists everything that is. Its notes say what
        was assumed in reading.
    BusyError
        While another run writes the study; a moment later it can be read.

    See Also
    --------
    check_study : The list of problems without an error.

    Examples
    --------
    >>> read_study("/no such folder")
    Traceback (most recent call last):
    pitstats.errors.InvalidStudyError: 1 problem in /no such folder:
      study: there is no folder or workbook of this name. Check the path.
    """
    log = ProblemLog()
    study = _read(path, log)
    if study is None:
        raise log.refusal(log.ordered(), os.fspath(path))
    return study


def check_study(path: PathLike) -> list[Problem]:
    """List everything that is wrong with a study on disk.

    Parameters
    ----------
    path : str or path
        A folder with ``study.toml`` and CSV files, or an ``.xlsx`` workbook.

    Returns
    -------
    list of Problem
        Empty if the study is fine; else table by table, first row of trouble first.

    Examples
    --------
    >>> for problem in check_study("/no such folder"):
    ...     print(problem)
    study: there is no folder or workbook of this name. Check the path.
    """
    log = ProblemLog()
    try:
        _read(path, log)
    except BusyError as error:
        log.problem(str(error), "study")
    return log.ordered()


def _read(path: PathLike, log: ProblemLog) -> Study | None:
    """Read and check; None if there are problems."""
    try:
        place = found(path)
        raw = read_raw(place, log)
    except UnreadableError as error:
        log.problem(str(error), "study")
        return None
    except OSError as error:
        log.problem(f"it cannot be opened: {error.strerror or error}.", "study")
        return None
    settings = read_settings(raw.settings, log)
    tables = check_tables(raw.tables, settings, log)
    check_no_results(tables, log)
    folder = place if place.is_dir() else place.parent
    say_photos(tables["bakes"], folder, log)
    if log.problems:
        return None
    return Study.from_checked(
        settings,
        tables,
        log.assumptions,
        folder.absolute(),
        log.form,
        kept_plan(place),
    )


def read_raw(path: Path, log: ProblemLog) -> RawStudy:
    """Read the cells of a folder or workbook as they were typed."""
    if path.is_dir():
        _finish_writing(path, log)
        return read_folder(path, log)
    if not path.exists():
        raise UnreadableError(
            f"there is no folder or workbook of this name.{looked_in(path)} Check the "
            "path."
        )
    if path.suffix.lower() not in _WORKBOOKS:
        inside = path.name.lower().endswith((".csv", ".toml", ".tsv"))
        raise UnreadableError(
            "this is a single file. Give the folder that holds it; a table of your "
            "own becomes a study with pitstats import."
            if inside
            else "this is neither a folder nor an .xlsx workbook. Save the workbook as "
            ".xlsx from your spreadsheet program."
        )
    return read_workbook(file_bytes(path), log)


def read_typed(path: Path, log: ProblemLog) -> RawStudy:
    """Read the cells of a study that can be opened, else refuse it."""
    try:
        return read_raw(path, log)
    except (UnreadableError, OSError) as error:
        log.problem(str(error), "study")
        raise InvalidStudyError(log.ordered(), source=str(path)) from None


def _finish_writing(path: Path, log: ProblemLog) -> None:
    """Read no folder into which a run was putting files when it died, or still is."""
    try:
        told = settle_target(path)
    except BusyError:
        raise
    except WriteError as error:
        raise UnreadableError(str(error)) from error
    if told:
        log.assume(told)


def write_study(
    study: Study, path: PathLike, *, overwrite: bool = False, only_made: bool = False
) -> None:
    """Write a study so that reading it back gives an equal one.

    Parameters
    ----------
    study : Study
        The study.
    path : str or path
        A name ending in ``.xlsx`` gives a workbook, any other a folder.
    overwrite : bool, default False
        Whether a study that is there may be replaced. Other files in its folder, such
        as photographs, always stay.
    only_made : bool, default False
        Whether what was changed since pitstats wrote it stays, with an error, also if
        ``overwrite`` is True.

    Raises
    ------
    ExistsError
        If something is there and may not be replaced. An empty folder may.
    WriteError
        If it cannot be written. Nothing half-written stays behind.

    Examples
    --------
    >>> import tempfile
    >>> import pandas as pd
    >>> from pitstats.study.settings import Settings
    >>> study = Study(
    ...     settings=Settings(title="T", question="Q", temperature_rule="tuned"),
    ...     pits=pd.DataFrame({"pit": ["A"]}),
    ...     bakes=pd.DataFrame({"bake": ["1"], "pit": ["A"], "status": ["planned"]}),
    ... )
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_study(study, f"{folder}/my_test.xlsx")
    ...     read_study(f"{folder}/my_test.xlsx") == study
    True
    """
    target = _target(path)
    if target.suffix.lower() == ".xlsx":
        if only_made and overwrite:
            refuse_changed(target)
        data = workbook_bytes(study.settings, study.tables)
        write_file(target, marked(data) if only_made else data, overwrite=overwrite)
    else:
        write_study_folder(
            target, folder_texts(study), overwrite=overwrite, only_made=only_made
        )


def start_study(
    path: PathLike,
    *,
    pits: GratesOfPits | None = None,
    bakes: int = 1,
    overwrite: bool = False,
) -> None:
    """Write a blank study to fill in.

    Parameters
    ----------
    path : str or path
        A name ending in ``.xlsx`` gives a workbook, any other a folder.
    pits : mapping of str to (mapping of str to (int, int)), optional
        Rows and columns of each grate of each pit, for bakes that are done: every bake
        and every place of an item then has its row already.
    bakes : int, default 1
        Bakes of each of these pits.
    overwrite : bool, default False
        Whether a study that is there may be replaced, unless it was changed since
        pitstats wrote it.

    Raises
    ------
    DesignError
        If a pit has no name or no grate, or a number is out of range.
    ExistsError
        If something is there and may not be replaced.
    WriteError
        If it cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     start_study(f"{folder}/my_test")
    ...     len(check_study(f"{folder}/my_test"))
    5
    """
    from pitstats.study.workbook import start_workbook_bytes

    target, tables = _target(path), afternoon_tables(pits or {}, bakes)
    if target.suffix.lower() == ".xlsx":
        if overwrite:
            refuse_changed(target)
        data = marked(start_workbook_bytes(tables))
        write_file(target, data, overwrite=overwrite)
    else:
        files = blank_texts(tables)
        write_study_folder(target, files, overwrite=overwrite, only_made=True)


def _target(path: PathLike) -> Path:
    target = Path(path)
    if target.suffix.lower() in _OTHER_FILES:
        raise WriteError(
            f"{target} cannot be written: a study is a folder, or a workbook whose "
            "name ends in .xlsx."
        )
    return target
