"""From a study and a notebook to one self-contained page: papermill, then nbconvert."""

from __future__ import annotations

import ast
import json
import os
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from pitstats.errors import RenderUsageError
from pitstats.exchange.carried import data_link, sealed
from pitstats.exchange.zip_file import zip_bytes
from pitstats.report.made_files import LIST_NAME, name_of, refuse_existing
from pitstats.report.render.chapters import first_page_cells
from pitstats.report.render.execute import execute
from pitstats.report.render.kernel import early_kernel, rare_collections
from pitstats.report.render.page_html import page_html
from pitstats.report.render.parameters import PLACE, STUDY, declared_parameters, is_path
from pitstats.report.render.stamp import stamp_of
from pitstats.report.words import one_line
from pitstats.study.atomic import publish
from pitstats.study.files import read_study
from pitstats.study.frozen_plan import plan_changes, read_plan
from pitstats.study.lookup import looking_in
from pitstats.study.made import list_name, replaceable
from pitstats.study.shipped import shipped_folder
from pitstats.study.study import Study
from pitstats.study.switch import switching

_DATA_LINK = "Take the data of this page with you (zip)"
# The parameter of a notebook that names a second study.
_OTHER_STUDY = "after_path"
_SHIPPED = shipped_folder("notebooks")


class _Target(NamedTuple):
    """The files of one report, all beside each other."""

    folder: Path
    stem: str

    @property
    def parts(self) -> tuple[str, str, str]:
        return f"{self.stem}.html", f"{self.stem}.ipynb", f"{self.stem}-files"

    @property
    def html(self) -> Path:
        return self.folder / self.parts[0]


def render_report(
    study_path: str | Path | None,
    *,
    notebook: str = "compare_pits",
    out: str | Path = "reports",
    parameters: Mapping[str, object] | None = None,
    brief: bool = False,
    overwrite: bool = False,
    progress: bool = True,
    dated: bool = True,
) -> Path:
    """Run a notebook on a study and write one HTML page that opens offline.

    A page about one study carries its data: record and results as one zip at its foot,
    as `write_package` makes it. The page is sealed, and `verify_package` shows any
    change of it.

    Beside ``STUDY-NOTEBOOK.html`` come the executed notebook and a folder
    ``STUDY-NOTEBOOK-files`` with the figures (PNG, SVG), the tables (CSV) and a stamp
    (versions, parameters, hash of the data).

    Parameters
    ----------
    study_path : path-like or None
        Study folder or workbook, for the notebook ``season`` the folder of its studies.
        None for a notebook that can do without one.
    notebook : str, default "compare_pits"
        Name of a shipped notebook, or path of one of your own.
    out : path-like, default "reports"
        Folder for the report; made if it is not there.
    parameters : mapping, optional
        Further parameters of the notebook.
    brief : bool, default False
        The first page alone.
    overwrite : bool, default False
        Replace an earlier report of the same name.
    progress : bool, default True
        Show a progress bar on stderr.
    dated : bool, default True
        Say on the page when it was made.

    Returns
    -------
    pathlib.Path
        The HTML page.

    Raises
    ------
    InvalidStudyError
        If the study has problems; all of them are listed.
    ExistsError
        If a report of that name is there and ``overwrite`` is False.
    RenderError
        If the notebook is not there, a parameter is unknown or of the wrong type, or
        the notebook stops. Nothing half-made is left behind.

    Examples
    --------
    >>> import pitstats as ps
    >>> ps.render_report("my study", out="reports")  # doctest: +SKIP
    PosixPath('reports/my study-compare_pits.html')
    """
    import nbformat

    source = _find_notebook(notebook)
    name = source.stem
    path = None if study_path is None else Path(study_path).resolve()
    if path is not None:
        name = f"{name_of(path)}-{source.stem}"
    target = _Target(Path(out), f"{name}-brief" if brief else name)
    kept = [] if overwrite else [target.folder / part for part in target.parts]
    refuse_existing(*kept)
    given = dict(parameters or {})
    places = [Path.cwd()] if source.parent == _SHIPPED else [source.parent, Path.cwd()]
    with rare_collections(), looking_in(places), switching(target.html) as switch:
        refuse_existing(*kept)  # another run may have been quicker
        listing = f"{target.parts[2]}/{list_name('report')}"
        # What must stay is told before any work, not after it.
        replaceable(target.folder, listing, {}, target.parts[:2])
        work, files = switch.scratch, switch.new / target.parts[2]
        files.mkdir()
        with early_kernel(source, work) as kernel:
            declared = declared_parameters(source)
            if path is not None:
                given[declared.subject] = str(path)
            record = path if declared.subject == STUDY else None
            # A study with problems is refused before the notebook is run.
            study = None if record is None else read_study(record)
            values = declared.checked(given)
            if PLACE in declared.parameters:
                values[PLACE] = str(files.resolve())
            run = _first_page_of(source, work) if brief else source
            finished = execute(run, values, work, kernel, progress=progress)
        results = _results_left_in(files / "results")
        data = _data_of(study, values, results)
        # Where the kernel kept the list of what it made; a report is made anew.
        (files / LIST_NAME).unlink(missing_ok=True)
        plan = "" if study is None else _plan_and_changes(study)
        stamp = stamp_of(source, record, values, declared, plan=plan, dated=dated)
        _clean(finished, target.folder.resolve(), stamp)
        nbformat.write(finished, switch.new / target.parts[1])
        (files / "stamp.json").write_text(
            json.dumps(dict(stamp), indent=2, ensure_ascii=False) + "\n", "utf-8"
        )
        title = source.stem if study is None else one_line(study.settings.title)
        html = page_html(finished, stamp, title, brief=brief, data=data)
        # As bytes: no system may write the ends of lines its own way under the seal.
        (switch.new / target.parts[0]).write_bytes(sealed(html).encode("utf-8"))
        publish(switch, target.folder, listing=listing)
    return target.html


def _first_page_of(source: Path, work: Path) -> Path:
    """A notebook that ends where the chapters begin."""
    import nbformat

    notebook = nbformat.read(source, as_version=4)
    notebook.cells = first_page_cells(notebook.cells)
    short = work / source.name
    nbformat.write(notebook, short)
    return short


def notebook_names() -> list[str]:
    """Names of the shipped notebooks."""
    return sorted(path.stem for path in _SHIPPED.glob("*.ipynb"))


def _find_notebook(notebook: str) -> Path:
    own = Path(notebook)
    if own.suffix == ".ipynb" and own.is_file():
        return own.resolve()
    shipped = _SHIPPED / f"{own.stem}.ipynb"
    if own.name in (own.stem, f"{own.stem}.ipynb") and shipped.is_file():
        return shipped
    raise RenderUsageError(
        f"There is no notebook {notebook!r}; the shipped ones are "
        f"{', '.join(notebook_names())}. Give one of these names or the path of your "
        "own .ipynb file."
    )


def _plan_and_changes(study: Study) -> str:
    """The frozen plan, and what differs from it; empty without one."""
    if study.plan is None:
        return ""
    changes = " ".join(plan_changes(study.plan, study)) or "The record is as planned."
    return f"frozen, SHA-256 {read_plan(study.plan).sha256}. {changes}"


def _results_left_in(folder: Path) -> dict[str, bytes] | None:
    """The results that the notebook left for the package, if it did."""
    if not folder.is_dir():
        return None
    files = {path.name: path.read_bytes() for path in folder.iterdir()}
    shutil.rmtree(folder)
    return files


def _data_of(
    study: Study | None,
    values: Mapping[str, object],
    results: Mapping[str, bytes] | None,
) -> str:
    """Link to the data of a page about one study; empty for any other page.

    Without ``results`` they are worked out here.
    """
    if study is None or values.get(_OTHER_STUDY):
        return ""
    from pitstats.exchange.package import package_files, slug

    files = package_files(study, results=results)
    name = f"{slug(study.settings.title)}.zip"
    return data_link(zip_bytes(files, compressed=True), name, _DATA_LINK)


def _clean(notebook: Any, final: Path, stamp: list[tuple[str, str]]) -> None:
    """Give a notebook its stamp and take out what only this machine knows.

    The paths in its parameters are those a reader beside the report would use.
    """
    notebook.metadata.pop("papermill", None)
    for cell in notebook.cells:
        cell.metadata.pop("papermill", None)
        cell.metadata.pop("execution", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell.source = _portable(cell.source, final)
            # Papermill draws it at random.
            cell["id"] = "injected-parameters"
    notebook.metadata["pitstats"] = dict(stamp)


def _portable(source: str, final: Path) -> str:
    lines = []
    for line in source.splitlines():
        name, _, value = line.partition(" = ")
        if name == PLACE:
            line = f'{PLACE} = ""'
        elif is_path(name):
            line = f"{name} = {_near(ast.literal_eval(value), final)!r}"
        lines.append(line)
    return "\n".join(lines)


def _near(path: str, final: Path) -> str:
    """Path as seen from a folder; far away only its name, the rest is private."""
    near = os.path.relpath(Path(path).resolve(), final) if path else ""
    return Path(path).name if near.count("..") > 1 else near
