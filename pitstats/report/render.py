"""From a study and a notebook to one self-contained page: papermill, then nbconvert."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pitstats.errors import ExistsError, PitstatsError, RenderError, RenderUsageError
from pitstats.report.contents import with_contents
from pitstats.report.drawing_office import DrawingOffice
from pitstats.report.kernel import (
    KERNEL_ARGUMENTS,
    KERNEL_ENVIRONMENT,
    early_kernel,
    rare_collections,
)
from pitstats.report.made_files import LIST_NAME
from pitstats.study.shipped import shipped_folder

if TYPE_CHECKING:
    from jupyter_client.manager import AsyncKernelManager
    from nbconvert import HTMLExporter
    from papermill.exceptions import PapermillExecutionError

_TEMPLATES = Path(__file__).parent / "template"

# Packages whose version can change a number or a picture.
_STAMPED = (
    "pitstats",
    "numpy",
    "scipy",
    "pandas",
    "statsmodels",
    "matplotlib",
    "seaborn",
    "papermill",
    "nbconvert",
)


@dataclass(frozen=True, kw_only=True)
class _Target:
    """The files of one report, all beside each other."""

    folder: Path
    stem: str
    parts: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        names = (f"{self.stem}.html", f"{self.stem}.ipynb", f"{self.stem}-files")
        object.__setattr__(self, "parts", names)

    @property
    def html(self) -> Path:
        return self.folder / self.parts[0]


def render_report(
    study_path: str | Path | None,
    *,
    notebook: str = "compare_pits",
    out: str | Path = "reports",
    parameters: Mapping[str, object] | None = None,
    overwrite: bool = False,
    progress: bool = True,
) -> Path:
    """Run a notebook on a study and write one HTML page that opens offline.

    Beside ``STUDY-NOTEBOOK.html`` come the executed notebook and a folder
    ``STUDY-NOTEBOOK-files`` with the figures (PNG, SVG), the tables (CSV) and a stamp
    (versions, parameters, hash of the data).

    Parameters
    ----------
    study_path : path-like or None
        Study folder or workbook. None for a notebook that can do without one.
    notebook : str, default "compare_pits"
        Name of a shipped notebook, or path of one of your own.
    out : path-like, default "reports"
        Folder for the report; made if it is not there.
    parameters : mapping, optional
        Further parameters of the notebook.
    overwrite : bool, default False
        Replace an earlier report of the same name.
    progress : bool, default True
        Show a progress bar on stderr.

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
    source = _find_notebook(notebook)
    name = source.stem
    study = None
    if study_path is not None:
        study = Path(study_path).resolve()
        name = f"{study.stem if study.is_file() else study.name}-{source.stem}"
    target = _Target(folder=Path(out), stem=name)
    _refuse_existing(target, overwrite)
    given = dict(parameters or {})
    if study is not None:
        given["study_path"] = str(study)
    with (
        rare_collections(),
        _working_folder(target) as work,
        DrawingOffice(source.stem, _page_exporter) as office,
    ):
        files = work / target.parts[2]
        files.mkdir()
        with early_kernel(source, work) as kernel:
            title = source.stem if study is None else _title_of(study)
            declared = _declared_parameters(source)
            values = _checked_parameters(given, declared, source.stem)
            if _PLACE in declared:
                values[_PLACE] = str(files.resolve())
            office.get_ready()
            finished = _execute(source, values, work, kernel, office, progress)
        # The kernel ends while the last figures are drawn.
        exporter = office.deliver()
        # Where the kernel kept the list of what it made; a report is made anew.
        (files / LIST_NAME).unlink(missing_ok=True)
        stamp = _stamp(source, study, values, declared)
        _write_notebook(finished, work / target.parts[1], stamp, study)
        (files / "stamp.json").write_text(
            json.dumps(dict(stamp), indent=2, ensure_ascii=False) + "\n", "utf-8"
        )
        _write_html(exporter, finished, work / target.parts[0], stamp, title)
        _publish(work, target)
    return target.html


def parse_parameters(pairs: Iterable[str]) -> dict[str, object]:
    """Read ``NAME=VALUE`` texts; a value that is a number, true or false becomes one.

    Parameters
    ----------
    pairs : iterable of str
        For example ``["conf_level=0.9"]``.

    Returns
    -------
    dict
        Names and values.

    Raises
    ------
    RenderError
        If a text has no ``=``.

    Examples
    --------
    >>> parse_parameters(["conf_level=0.9", "study_path=a=b"])
    {'conf_level': 0.9, 'study_path': 'a=b'}
    """
    values: dict[str, object] = {}
    for pair in pairs:
        name, equals, text = pair.partition("=")
        if not equals:
            raise RenderUsageError(f"{pair!r} is not of the form NAME=VALUE.")
        try:
            value = json.loads(text)
        except json.JSONDecodeError:
            value = text
        values[name.strip()] = value
    return values


def notebook_names() -> list[str]:
    """Names of the shipped notebooks.

    Examples
    --------
    >>> "compare_pits" in notebook_names()
    True
    """
    return sorted(path.stem for path in shipped_folder("notebooks").glob("*.ipynb"))


def _find_notebook(notebook: str) -> Path:
    own = Path(notebook)
    if own.suffix == ".ipynb" and own.is_file():
        return own.resolve()
    shipped = shipped_folder("notebooks") / f"{own.stem}.ipynb"
    if own.name in (own.stem, f"{own.stem}.ipynb") and shipped.is_file():
        return shipped
    raise RenderUsageError(
        f"There is no notebook {notebook!r}; the shipped ones are "
        f"{', '.join(notebook_names())}. Give one of these names or the path of your "
        "own .ipynb file."
    )


def _title_of(study: Path) -> str:
    """Title of a study; one with problems is refused before a kernel is started."""
    from pitstats.study.files import read_study

    return " ".join(read_study(study).settings.title.split())


def _refuse_existing(target: _Target, overwrite: bool) -> None:
    there = [part for part in target.parts if (target.folder / part).exists()]
    if there and not overwrite:
        raise ExistsError(
            f"{target.folder / there[0]} is already there and was left as it is. "
            "Choose another folder, or replace it with overwrite=True."
        )


def _declared_parameters(source: Path) -> dict[str, dict[str, Any]]:
    import papermill
    from nbformat import ValidationError

    try:
        found: dict[str, dict[str, Any]] = papermill.inspect_notebook(str(source))
    except (ValueError, AttributeError, ValidationError) as error:
        raise RenderUsageError(
            f"{source} cannot be read as a notebook. Open it in JupyterLab and save it "
            "again, or name another one."
        ) from error
    return found


# Types of a parameter, and how a cook would call them.
_TYPES: dict[str, tuple[tuple[type, ...], str]] = {
    "str": ((str,), "a text"),
    "int": ((int,), "a whole number"),
    "float": ((float, int), "a number"),
    "bool": ((bool,), "true or false"),
    "list": ((list, tuple), "a list such as [2, 3]"),
}
# The parameter that says where figures and tables go.
_PLACE = "output_folder"
# "...; 0: the level of the study" in the comment to a parameter.
_MEANING = re.compile(r"(?:^|; )(0|empty): ([^;]+)")


def _checked_parameters(
    given: Mapping[str, object], declared: Mapping[str, dict[str, Any]], name: str
) -> dict[str, object]:
    """Compare with what the notebook declares: papermill itself only logs."""
    if _PLACE in given:
        raise RenderUsageError(
            f"{_PLACE} is set by the report itself. Say where the report is to go with "
            "--out."
        )
    unknown = [key for key in given if key not in declared]
    if unknown:
        own = ", ".join(key for key in declared if key != _PLACE)
        raise RenderUsageError(
            f"Notebook {name} has no parameter {unknown[0]!r}; its parameters are "
            f"{own}."
        )
    unused = [key for key in given if _unused(declared[key])]
    if unused and given.get("study_path"):
        raise RenderUsageError(
            f"Parameter {unused[0]} of notebook {name} is used only without a study. "
            "Leave out the parameter or the study."
        )
    for key, value in given.items():
        kind = str(declared[key].get("inferred_type_name", "None"))
        allowed, words = _TYPES.get(kind.split("[")[0].split(" ")[0], ((), ""))
        is_flag = isinstance(value, bool)
        if allowed and (
            not isinstance(value, allowed) or (is_flag and bool not in allowed)
        ):
            raise RenderUsageError(
                f"Parameter {key} of notebook {name} is {value!r}; it must be {words}."
            )
    return dict(given)


def _unused(parameter: Mapping[str, Any]) -> bool:
    """Whether its comment says that a parameter is there for pages without a study."""
    return "without a study" in str(parameter.get("help"))


def _shown_value(value: object, parameter: Mapping[str, Any]) -> object:
    """Value as a reader understands it: what 0 or an empty text stands for."""
    found = _MEANING.search(str(parameter.get("help")))
    if found is None:
        return value
    empty = {"0": ("0", "0.0"), "empty": ("", "''", '""')}[found[1]]
    return found[2].strip() if str(value) in empty else value


@contextmanager
def _working_folder(target: _Target) -> Iterator[Path]:
    """Work beside the target, so that publishing is a rename, and leave nothing."""
    made = [f for f in (target.folder, *target.folder.parents) if not f.exists()]
    target.folder.mkdir(parents=True, exist_ok=True)
    work = Path(tempfile.mkdtemp(prefix=".making-", dir=target.folder))
    try:
        yield work
    finally:
        shutil.rmtree(work, ignore_errors=True)
        with suppress(OSError):  # not empty: the report is there
            for folder in made:
                folder.rmdir()


def _execute(
    source: Path,
    values: dict[str, object],
    work: Path,
    kernel: AsyncKernelManager | None,
    office: DrawingOffice[HTMLExporter],
    progress: bool,
) -> Any:
    """Run a notebook and return it; it is written only once it has run to its end."""
    import logging

    import papermill
    from nbclient.exceptions import DeadKernelError
    from papermill.exceptions import PapermillExecutionError

    # Papermill's own log lines repeat what the progress bar shows.
    logging.getLogger("papermill").setLevel(logging.WARNING)
    with _quiet_kernel():
        try:
            return papermill.execute_notebook(
                str(source),
                None,
                parameters=values,
                progress_bar=progress,
                log_output=False,
                cwd=str(work),
                km=kernel,
                on_cell_executed=office.take,
                extra_arguments=list(KERNEL_ARGUMENTS),
            )
        except PapermillExecutionError as error:
            raise _stopped(source, error, values) from error
        except DeadKernelError as error:
            raise RenderError(
                f"The kernel of notebook {source.stem} died (out of memory?). Nothing "
                "was written."
            ) from error


def _stopped(
    source: Path, error: PapermillExecutionError, values: Mapping[str, object]
) -> PitstatsError:
    """Tell what stopped a notebook; what a user can mend is told in its own words."""
    from pitstats import errors

    known = getattr(errors, str(error.ename), None)
    if isinstance(known, type) and issubclass(known, errors.DesignError):
        reason = str(error.evalue)
        # "conf_level is 1.5; ...": not the data are wrong but what was asked.
        asked = any(reason.startswith(f"{name} is ") for name in values)
        return RenderUsageError(reason) if asked else known(reason)
    return RenderError(
        f"Notebook {source.stem} stopped at its cell {error.exec_count}: "
        f"{error.ename}: {error.evalue}"
    )


@contextmanager
def _quiet_kernel() -> Iterator[None]:
    """Keep the kernel's start-up remarks and frozen-module notes off the screen."""
    before = {key: os.environ.get(key) for key in KERNEL_ENVIRONMENT}
    os.environ.update(KERNEL_ENVIRONMENT)
    try:
        yield
    finally:
        for key, value in before.items():
            if value is None:
                os.environ.pop(key, None)
            else:
                os.environ[key] = value


def _write_notebook(
    notebook: Any, target: Path, stamp: list[tuple[str, str]], study: Path | None
) -> None:
    """Keep the executed notebook with its stamp, without what only this machine knows.

    The paths in its parameters are those a reader beside the report would use.
    """
    import nbformat

    notebook.metadata.pop("papermill", None)
    for cell in notebook.cells:
        cell.metadata.pop("papermill", None)
        cell.metadata.pop("execution", None)
        if "injected-parameters" in cell.metadata.get("tags", []):
            cell.source = _portable(cell.source, target, study)
            # Papermill draws it at random.
            cell["id"] = "injected-parameters"
    notebook.metadata["pitstats"] = dict(stamp)
    nbformat.write(notebook, target)


def _portable(source: str, target: Path, study: Path | None) -> str:
    final = target.resolve().parent.parent  # the working folder lies in the report's
    lines = []
    for line in source.splitlines():
        if line.startswith(f"{_PLACE} = "):
            line = f'{_PLACE} = ""'
        elif line.startswith("study_path = ") and study is not None:
            near = os.path.relpath(study, final)
            # A study far away is named only: its folders are nobody's business.
            path = study.name if near.count("..") > 1 else near
            line = f"study_path = {path!r}"
        lines.append(line)
    return "\n".join(lines)


def _page_exporter() -> HTMLExporter:
    """Make what turns a notebook into a page, with its templates read."""
    import nbformat
    from nbconvert import HTMLExporter
    from nbconvert.filters import Highlight2HTML

    exporter = HTMLExporter(
        template_name="template",
        extra_template_basedirs=[str(_TEMPLATES.parent)],
        # Once, not after each of a dozen steps.
        optimistic_validation=True,
        exclude_input=True,
        exclude_input_prompt=True,
        exclude_output_prompt=True,
    )
    # Its templates name this filter, though code is not shown.
    exporter.register_filter("highlight_code", Highlight2HTML(parent=exporter))
    # A page for nobody: templates are read and filters loaded at the first one.
    cells = [nbformat.v4.new_markdown_cell("Text"), nbformat.v4.new_code_cell("1")]
    blank = nbformat.v4.new_notebook(cells=cells)
    _page_of(exporter, blank, {"stamp": []})
    return exporter


def _page_of(exporter: HTMLExporter, notebook: Any, page: Mapping[str, object]) -> str:
    """Fill the template.

    `HTMLExporter` would then read the whole page again, pictures and all, to find
    images without a text; the template gives each a text of its own.
    """
    from nbconvert import TemplateExporter
    from nbconvert.filters.widgetsdatatypefilter import WidgetsDataTypeFilter

    shown = WidgetsDataTypeFilter(notebook_metadata=notebook.metadata, parent=exporter)
    exporter.register_filter("filter_data_type", shown)
    body, _ = TemplateExporter.from_notebook_node(
        exporter, notebook, resources={"page": page}
    )
    return str(body)


def _write_html(
    exporter: HTMLExporter,
    notebook: Any,
    html: Path,
    stamp: list[tuple[str, str]],
    title: str,
) -> None:
    page = {
        "title": title,
        "stamp": stamp,
        "style": (_TEMPLATES / "page.css").read_text("utf-8"),
    }
    html.write_text(with_contents(_page_of(exporter, notebook, page)), "utf-8")


def _publish(work: Path, target: _Target) -> None:
    """Move the finished parts into place; an earlier report goes only now."""
    retired = work / ".earlier"
    retired.mkdir()
    for part in target.parts:
        final = target.folder / part
        if final.exists():
            final.rename(retired / part)
        (work / part).rename(final)


def _stamp(
    source: Path,
    study: Path | None,
    values: Mapping[str, object],
    declared: Mapping[str, dict[str, Any]],
) -> list[tuple[str, str]]:
    used = {name: details.get("default") for name, details in declared.items()}
    used |= values
    shown = {
        key: Path(str(value)).name
        if key in ("study_path", _PLACE) and key in values
        else _shown_value(value, declared[key])
        for key, value in used.items()
        if not (_unused(declared[key]) and values.get("study_path"))
    }
    stamp = [
        ("Notebook", source.stem),
        ("Parameters", ", ".join(f"{k} = {v}" for k, v in shown.items()) or "none"),
        ("Made", datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")),
        (
            "Randomness",
            f"seed {used.get('seed', 'not used')}; the quasi-random points "
            "of the method are fixed",
        ),
        ("Versions", ", ".join(f"{name} {_version(name)}" for name in _STAMPED)),
    ]
    if study is not None:
        stamp.insert(1, ("Data", f"{study.name}, SHA-256 {data_hash(study)}"))
    return stamp


def _version(name: str) -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version(name)
    except PackageNotFoundError:
        from pitstats import __version__

        return __version__ if name == "pitstats" else "unknown"


def data_hash(study: Path) -> str:
    """SHA-256 over the names and bytes of a study's files, in order of their names.

    Parameters
    ----------
    study : pathlib.Path
        Study folder or workbook.

    Returns
    -------
    str
        Hexadecimal digest; equal exactly when the files are.

    Examples
    --------
    >>> from pitstats.study.demo import demo_folder
    >>> len(data_hash(demo_folder("four_pits")))
    64
    """
    digest = hashlib.sha256()
    files = [study] if study.is_file() else sorted(study.glob("*"))
    for path in files:
        if path.is_file() and path.suffix in (".csv", ".toml", ".xlsx"):
            digest.update(path.name.encode() + b"\0")
            digest.update(path.read_bytes())
    return digest.hexdigest()
