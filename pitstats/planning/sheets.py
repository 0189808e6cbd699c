"""Printed sheets to carry out: protocol, grids, records, grading, ladder and key."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import pandas as pd

from pitstats.analysis.next_steps.suggest import suggest_next
from pitstats.analysis.rates.posterior import holds_shared_sessions
from pitstats.errors import ArgumentError, DesignError, ExistsError, InvalidStudyError
from pitstats.planning.grade_form import form_bytes
from pitstats.planning.grade_page import page_parts, page_plan
from pitstats.planning.layout import Layout
from pitstats.planning.protocol import (
    CAUTIONS,
    DEFERENCE,
    burned_rule,
    fairness_rules,
    look_steps,
)
from pitstats.planning.sheet_pages import (
    FACE_NAMES,
    bake_heads,
    grading_pages,
    grid_pages,
    key_pages,
    ladder_pages,
    order_pages,
    planned_parts,
    record_pages,
    regrading_pages,
    scale_of,
)
from pitstats.study.atomic import PathLike, write_folder
from pitstats.study.cells import counted
from pitstats.study.files import read_study
from pitstats.study.frozen_plan import plan_bytes, plan_path
from pitstats.study.html_text import isolated_in_template
from pitstats.study.outcomes import graded_bakes
from pitstats.study.study import Study
from pitstats.study.workbook import ENTRY, entry_workbook_bytes

if TYPE_CHECKING:
    import jinja2

Paper: TypeAlias = Literal["A4", "Letter"]

PROTOCOL = "1_protocol.html"
GRIDS = "2_grids.html"
RECORDS = "3_records.html"
GRADING = "4_grading.html"
REGRADING = "5_grading_again.html"
LADDER = "6_reference_ladder.html"
KEY = "sealed_key.html"
PHONE = "grade.html"
FORM = "grade_form.xlsx"
PLAN = plan_path(Path(ENTRY)).name

_PAGES = (PROTOCOL, GRIDS, RECORDS, GRADING, REGRADING, LADDER, KEY, PHONE)
_OURS = (*_PAGES, FORM, ENTRY, PLAN)


def write_sheets(
    plan: Study | Layout,
    dest: PathLike,
    *,
    paper: Paper = "A4",
    mirrored: Collection[str] = (),
    faces: Sequence[str] = ("top", "bottom", "side"),
    entry_workbook: bool = False,
    overwrite: bool = False,
) -> list[Path]:
    """Write the sheets of a planned test into a folder, all of them or none.

    Parameters
    ----------
    plan : Study or Layout
        Planned bakes with cells and codes; other bakes are left out.
    dest : str or path
        The folder; made if it is not there.
    paper : {"A4", "Letter"}
        Paper to print on. Either way everything lies within what both offer.
    mirrored : collection of str
        Pits whose grids are printed with the firebox end on the other side of the
        sheet, for those whose firebox lies the other way when seen from the door.
    faces : sequence of {"top", "bottom", "side"}
        Faces that are graded.
    entry_workbook : bool, default False
        Whether to add the entry workbook (``entry.xlsx``) to type the results into,
        and the frozen plan beside it (``entry.plan.json``) if nothing was baked yet.
    overwrite : bool, default False
        Whether sheets that are there may be replaced. Other files in the folder always
        stay, and so does an entry workbook that was filled in.

    Returns
    -------
    list of pathlib.Path
        The files written, in the order of their names.

    Raises
    ------
    DesignError
        If nothing is planned, codes or cells are missing, or a name is unknown.
    ExistsError
        If something is there and may not be replaced.
    WriteError
        If it cannot be written.

    Notes
    -----
    The grading sheets hold codes only. What a code stands for is told by the grids, the
    key and the entry workbook, which the grader must not see. The pages are HTML
    without any outside resource: open a file in a browser and print it at 100 %.
    ``grade.html`` is for a phone: the grader taps grades there, or who tends the fire
    the times of bakes, and `record_grades` takes in the file that it hands out.
    ``grade_form.xlsx`` is the same form as XLSForm [1]_, for those who use a form
    collector; `record_grades` takes in the table (CSV) that the collector exports.

    References
    ----------
    .. [1] XLSForm, an open standard for forms in a workbook, https://xlsform.org.

    Examples
    --------
    >>> import tempfile
    >>> from pitstats.planning.layout import randomize_layout
    >>> layout = randomize_layout({"Oak": (3, 6), "Creek": (3, 5)}, bakes=2, seed=11)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     for path in write_sheets(layout, folder + "/sheets"):
    ...         print(path.name)
    1_protocol.html
    2_grids.html
    3_records.html
    4_grading.html
    5_grading_again.html
    6_reference_ladder.html
    grade.html
    grade_form.xlsx
    sealed_key.html
    """
    study = plan.study if isinstance(plan, Layout) else plan
    files = render_sheets(study, paper=paper, mirrored=mirrored, faces=faces)
    content = {name: page.encode("utf-8") for name, page in files.items()}
    content[FORM] = form_bytes(page_plan(study, *planned_parts(study), faces))
    if entry_workbook:
        content[ENTRY] = entry_workbook_bytes(study)
        if study.bakes["status"].eq("planned").all():
            content[PLAN] = plan_bytes(study)
    folder = Path(dest)
    filled = ENTRY if (folder / ENTRY).is_file() else None
    if filled and entry_workbook and overwrite:
        _check_unused(folder / filled)
    write_folder(
        folder,
        content,
        kind="sheets",
        overwrite=overwrite,
        replaced=[filled] if filled and entry_workbook else [],
        untouched=[ENTRY] if not entry_workbook else [],
        unless_changed=[name for name in _OURS if name != ENTRY],
    )
    return [folder / name for name in sorted(content)]


def render_sheets(
    study: Study,
    *,
    paper: Paper = "A4",
    mirrored: Collection[str] = (),
    faces: Sequence[str] = ("top", "bottom", "side"),
) -> dict[str, str]:
    """Make the sheets as HTML texts by file name; see `write_sheets`."""
    _check_choices(study, paper, mirrored, faces)
    bakes, items = planned_parts(study)
    heads = bake_heads(study, bakes)
    scale = scale_of(study.settings, faces)
    again = regrading_pages(items, set(study.regrades["code"].dropna()), scale)
    ladder = ladder_pages(study.settings)
    rules, aim = fairness_rules(study.settings), _aim(study)
    unit = study.settings.temperature_unit
    draw = _Drawer(study, paper)
    files = {
        PROTOCOL: draw(
            "protocol",
            "Protocol",
            question=study.settings.question,
            plan=_plan_sentence(study, bakes, items),
            files=_who_gets_what(again=bool(again)),
            aim=aim,
            rules=rules,
            cautions=CAUTIONS,
            deference=DEFERENCE,
            size=_protocol_size([*rules, aim]),
            looks=look_steps(
                study.settings,
                bakes["pit"].nunique(),
                _items_per_bake(bakes, items),
                sessions=holds_shared_sessions(bakes),
            ),
        ),
        GRIDS: draw(
            "grids",
            "Grids",
            wide=True,
            order=order_pages(heads.values()),
            grids=grid_pages(study, heads, items, mirrored),
        ),
        RECORDS: draw(
            "records",
            "Records",
            records=record_pages(heads, bakes),
            degree=f", °{unit}" if unit else "",
        ),
        GRADING: draw(
            "grading", "Grading", pages=grading_pages(items, scale), scale=scale
        ),
        LADDER: draw(
            "ladder",
            "Reference ladder",
            ladder=ladder,
            burned_rule=burned_rule(study.settings),
            row_height=round(196 / max(len(steps) for steps in ladder), 1),
        ),
        KEY: draw("key", "Key", key=key_pages(items)),
        PHONE: draw.phone(page_plan(study, bakes, items, faces)),
    }
    if again:
        files[REGRADING] = draw("grading", "Second grading", pages=again, scale=scale)
    return files


class _Drawer:
    """Fills in templates with what all pages share."""

    def __init__(self, study: Study, paper: Paper) -> None:
        seed = study.settings.extra.get("layout_seed")
        self._shared: dict[str, Any] = {
            "title": study.settings.title,
            "paper": paper,
            "seed": "" if seed is None else f"Drawn with seed {seed}.",
            "wide": False,
        }
        self._templates = _templates()

    def __call__(self, template: str, heading: str, **context: Any) -> str:
        page = self._templates.get_template(f"{template}.html.j2")
        return page.render(self._shared | {"heading": heading} | context)

    def phone(self, plan: dict[str, Any]) -> str:
        """Fill in the page for the phone, which is told neither title nor seed."""
        loader = self._templates.loader
        assert loader is not None
        sources = {
            part: loader.get_source(self._templates, f"grade.{ending}")[0]
            for part, ending in (("script", "js"), ("style", "css"))
        }
        page = self._templates.get_template("grade.html.j2")
        return page.render(page_parts(plan, sources))


def _templates() -> jinja2.Environment:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader("pitstats.planning"),
        autoescape=True,
        finalize=isolated_in_template,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _check_choices(
    study: Study, paper: str, mirrored: Collection[str], faces: Sequence[str]
) -> None:
    if paper not in ("A4", "Letter"):
        raise ArgumentError(f"paper is {paper!r}. Choose 'A4' or 'Letter'.")
    pits = set(study.pits["pit"])
    for pit in [mirrored] if isinstance(mirrored, str) else mirrored:
        if pit not in pits:
            raise DesignError(
                f"mirrored names the pit '{pit}', but the study has "
                f"{', '.join(sorted(pits))}. Correct the name."
            )
    if not faces or len(set(faces)) < len(faces) or not set(faces) <= set(FACE_NAMES):
        raise ArgumentError(
            f"faces is {faces!r}. Choose some of 'top', 'bottom' and 'side'."
        )


def _plan_sentence(study: Study, bakes: pd.DataFrame, items: pd.DataFrame) -> str:
    pits = bakes.groupby("pit", sort=False).size()
    listed = ", ".join(f"{pit} {count}" for pit, count in pits.items())
    sessions = bakes["session"].nunique()
    return (
        f"{len(bakes)} bakes ({listed}) in "
        f"{counted(sessions, 'session')}, {len(items)} items. Grades, palest "
        f"first: {', '.join(study.settings.grades)}."
    )


def _aim(study: Study) -> str:
    """What bakes are for that follow others; nothing where there are no results yet."""
    graded = graded_bakes(study)
    return suggest_next(study).sentence if graded["pit"].nunique() > 1 else ""


def _items_per_bake(bakes: pd.DataFrame, items: pd.DataFrame) -> list[int]:
    """Items of a bake of each pit (median)."""
    sizes = items.groupby("bake").size().reindex(bakes["bake"], fill_value=0)
    return [int(n) for n in sizes.groupby(bakes["pit"].to_numpy()).median()]


def _who_gets_what(*, again: bool) -> list[tuple[str, str]]:
    grading = "grading (or grade.html) and reference ladder"
    if again:
        grading = (
            "grading (or grade.html), grading again (only after the first is handed "
            "in), ladder"
        )
    return [
        ("at the pits", "protocol, grids, records"),
        ("grader", grading),
        (
            "locked away",
            "sealed key, entry workbook and plan; the grids after unloading",
        ),
    ]


def _protocol_size(rules: Sequence[str]) -> float:
    """Choose the largest type that keeps the protocol on one page."""
    letters = sum(map(len, rules)) + sum(len(c.text) for c in CAUTIONS)
    return next((size for most, size in _TYPE_SIZES if letters <= most), 7.0)


_TYPE_SIZES = ((4200, 9.0), (5000, 8.5), (5800, 8.0), (6600, 7.5))


def _check_unused(path: Path) -> None:
    """Refuse to replace an entry workbook into which results were typed."""
    try:
        study = read_study(path)
    except InvalidStudyError:
        used = True  # half filled in: what is there may be the only copy
    else:
        used = not study.bakes["status"].eq("planned").all() or len(study.probes) > 0
    if used:
        raise ExistsError(
            f"{path} has been filled in and is never overwritten. Move it away, or "
            "choose another folder."
        )
