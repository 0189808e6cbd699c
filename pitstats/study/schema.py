"""Every table and column of a study, described once.

The checks, the blank study, the data dictionary and the entry workbook all read these
descriptions; a new column is added here and nowhere else. Nothing is imported beyond
the standard library, so the descriptions are cheap to use anywhere.
"""

from __future__ import annotations

from dataclasses import KW_ONLY, dataclass
from typing import Literal, TypeAlias

Kind: TypeAlias = Literal[
    "text", "yes/no", "whole", "number", "choice", "grade", "clock"
]
Unit: TypeAlias = Literal[
    "",
    "pit temperature",
    "air temperature",
    "check temperature",
    "length",
    "mm",
    "min",
]

#: What spreadsheets hold in one cell; longer text would be cut off without a word.
LONGEST_TEXT = 32_767
#: Whole numbers above this are slips of the keyboard, not counts or places.
LARGEST_WHOLE = 1_000_000
#: Grates larger than this are a mistyped size.
LARGEST_GRATE = 200
#: Plausible ranges in °C of pit, grate and probe temperatures, of the outdoor air, and
#: of a check of probes, which may be made in ice water; and what to call each.
TEMPERATURES: dict[str, tuple[tuple[float, float], str]] = {
    "pit temperature": ((50.0, 300.0), "A pit in use"),
    "air temperature": ((-30.0, 50.0), "The outdoor air"),
    "check temperature": ((-10.0, 300.0), "A place where probes are checked"),
}

DEFAULT_GRADES = ("raw", "light", "golden", "dark", "burned")
TEMPERATURE_RULES = ("same indicated", "same grate", "maker's setting", "tuned")
FACES = ("top", "bottom", "side")
#: What tells one cell from all others.
CELL = ["pit", "grate", "row", "column"]
GRADE_COLUMNS = tuple(f"grade_{face}" for face in FACES)
#: Columns of an item that say how it came out, or why that is not known.
RESULT_COLUMNS = (*GRADE_COLUMNS, "burned", "missing")
#: Columns that say where an item lay.
PLACE_COLUMNS = ("bake", "grate", "row", "column")


@dataclass(frozen=True)
class Column:
    """One column of one table.

    Parameters
    ----------
    name : str
        Header, in small letters.
    kind : {"text", "yes/no", "whole", "number", "choice", "grade", "clock"}
        What a cell holds.
    meaning : str
        What the column says, for the data dictionary.
    needed : bool, default False
        Whether an empty cell is a problem.
    unit : str, default ""
        The temperatures and "length" take the unit that ``study.toml`` states; "mm"
        and "min" are fixed; "" has none.
    choices : tuple of str
        Allowed words of a "choice".
    low, high : float or None
        Smallest and largest value allowed.
    above : float or None
        Bound that the value must exceed.
    when : str, default ""
        When the column is needed, if that depends on others.
    """

    name: str
    kind: Kind
    meaning: str
    _: KW_ONLY
    needed: bool = False
    unit: Unit = ""
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    above: float | None = None
    when: str = ""


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table: a CSV file of the study folder, or a sheet of the workbook.

    Parameters
    ----------
    name : str
        Name of the file without its ending, and of the sheet.
    one_row : str
        What one row stands for.
    when : str
        When the table is needed.
    key : tuple of str
        Columns that together must differ from row to row; may be empty.
    columns : tuple of Column
        In the order in which they are written.
    """

    name: str
    one_row: str
    when: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names of the columns in order."""
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column:
        """Describe the column called ``name``."""
        return next(column for column in self.columns if column.name == name)


@dataclass(frozen=True)
class Setting:
    """One key of ``study.toml``.

    Parameters
    ----------
    name : str
        The key.
    kind : {"text", "choice", "names", "name", "number", "looks", "spread", "when"}
        "names" is a list of names, "name" one name of the grade list, "number" a share,
        "looks" a list of increasing whole numbers, "spread" a number from `low` to
        `high`, "when" yes, no or a date.
    meaning : str
        What it states, for the data dictionary and the blank study.
    needed : bool, default False
        Whether the study is refused without it.
    choices : tuple of str
        Allowed words of a "choice".
    default : str, default ""
        The default in words; the value itself stands in ``Settings``.
    group : str, default ""
        Table of ``study.toml`` in which the key stands without the name of the table
        before it: ``looks_planned`` is ``planned`` in ``[looks]``.
    low, high : float
        Smallest and largest value of a "spread".
    """

    name: str
    kind: Literal[
        "text", "choice", "names", "name", "number", "looks", "spread", "when"
    ]
    meaning: str
    _: KW_ONLY
    needed: bool = False
    choices: tuple[str, ...] = ()
    default: str = ""
    group: str = ""
    low: float = 0.0
    high: float = 1.0

    @property
    def key(self) -> str:
        """The key as it stands in its table of ``study.toml``."""
        return self.name.removeprefix(f"{self.group}_") if self.group else self.name


SETTINGS: tuple[Setting, ...] = (
    Setting(
        "title", "text", "Title of the study, shown first in every report.", needed=True
    ),
    Setting(
        "question",
        "text",
        "The question the bakes were to answer, shown beside the title.",
        needed=True,
    ),
    Setting(
        "temperature_unit",
        "choice",
        "Unit of every temperature in the study.",
        choices=("F", "C"),
        default="none: needed as soon as any temperature is recorded",
    ),
    Setting(
        "length_unit",
        "choice",
        "Unit of every length in the study.",
        choices=("in", "cm"),
        default="none: needed as soon as any cell size is recorded",
    ),
    Setting(
        "temperature_rule",
        "choice",
        "How the heat of the pits was matched: the same reading of the pits' own "
        "gauges, the same temperature at the grate, the setting each maker "
        "advises, or each pit tuned beforehand.",
        needed=True,
        choices=TEMPERATURE_RULES,
    ),
    Setting("stop_rule", "text", "When a bake was ended, in words.", default="empty"),
    Setting(
        "grades",
        "names",
        "Names of the ordered grades, palest first.",
        default=", ".join(DEFAULT_GRADES),
    ),
    Setting(
        "raw_to",
        "name",
        "The darkest grade that still counts as under-baked.",
        default="the first grade",
    ),
    Setting(
        "burned_from",
        "name",
        "The first grade that counts as burned.",
        default="the last grade",
    ),
    Setting(
        "target_grades",
        "names",
        "Grades that count as good; an item is good when every face that was "
        "graded has one of them.",
        default="golden",
    ),
    Setting(
        "face",
        "choice",
        "The graded face that decides whether an item is burned: the darkest of "
        "all graded faces, or the top, the bottom or the side toward the fire.",
        choices=("worst", *FACES),
        default="worst",
    ),
    Setting(
        "margin",
        "number",
        "Smallest difference in burn rate that would change advice, above 0 and "
        "at most 1 (0.15 = 15 points), stated before the bakes.",
        default="not set",
    ),
    Setting(
        "conf_level",
        "number",
        "Confidence level of every interval, between 0 and 1.",
        default="0.95",
    ),
    Setting(
        "looks_planned",
        "looks",
        "Bakes of each pit after which the results will be looked at, written down "
        "before the first bake, such as 2, 4, 6.",
        group="looks",
        default="not stated: one look at the end",
    ),
    Setting(
        "looks_taken",
        "looks",
        "Bakes of each pit after which the results were looked at so far, the "
        "present look included; a bake that was left out later counts.",
        group="looks",
        default="not stated",
    ),
    Setting(
        "looks_written",
        "when",
        "Day on which the planned looks were written down.",
        group="looks",
        default="not stated",
    ),
    Setting(
        "earlier_sd",
        "spread",
        "Spread between bakes (SD on the logit scale) that your own earlier tests "
        "of the same kind showed.",
        group="earlier",
        high=2.5,
        default="not stated: nothing is borrowed",
    ),
    Setting(
        "earlier_factor",
        "spread",
        "Factor within which the earlier tests know that spread.",
        group="earlier",
        low=1.05,
        high=4.0,
        default="1.5",
    ),
    Setting(
        "earlier_declared",
        "when",
        "Whether borrowing the earlier spread was declared before the bakes: yes, "
        "no, or the day.",
        group="earlier",
        default="no: the answer that borrows nothing leads",
    ),
)
SETTING_NAMES: tuple[str, ...] = tuple(setting.name for setting in SETTINGS)
SETTING_GROUPS: tuple[str, ...] = ("looks", "earlier")

_GRADE_CELL = "A name of the grade list, or its number counted from 0 for the palest."


def _count(name: str, meaning: str, *, low: float = 0, needed: bool = False) -> Column:
    return Column(name, "whole", meaning, needed=needed, low=low, high=LARGEST_WHOLE)


def _place(name: str, meaning: str) -> Column:
    return Column(name, "whole", meaning, low=1, high=LARGEST_GRATE)


def _share(name: str, meaning: str) -> Column:
    return Column(name, "number", meaning, low=0, high=1)


def _bake(meaning: str = "The bake, as named in bakes.") -> Column:
    return Column("bake", "text", meaning, needed=True)


def _grate(when: str) -> Column:
    return Column(
        "grate", "text", "The grate of the pit, as named in grates.", when=when
    )


_ROW = _place("row", "Row of the cell; row 1 is nearest the door.")
_COLUMN = _place("column", "Column of the cell; column 1 is nearest the firebox.")
_GRADES = tuple(
    Column(name, "grade", f"Grade of the {face}. {_GRADE_CELL}")
    for name, face in zip(
        GRADE_COLUMNS, ("top", "bottom", "side toward the fire"), strict=True
    )
)
_RISE = Column("rise_mm", "number", "Height after baking.", unit="mm", low=0, high=500)
_PHOTO = Column("photo", "text", "Name of the file of a photograph of the item.")
_NOTES = Column("notes", "text", "Anything worth telling.")

PITS = Table(
    name="pits",
    one_row="one pit",
    when="always",
    key=("pit",),
    columns=(
        Column(
            "pit",
            "text",
            "Short name of the pit, used in every other table.",
            needed=True,
        ),
        Column(
            "label", "text", "Name shown to readers; the short name is shown if empty."
        ),
        Column(
            "flow",
            "choice",
            "Whether the gas leaves at the far end (conventional) or comes back "
            "over the food (reverse).",
            choices=("conventional", "reverse"),
        ),
        Column(
            "has_damper",
            "yes/no",
            "Whether the stack has a damper; empty is not the same as no.",
        ),
        Column("has_intake", "yes/no", "Whether the firebox has an adjustable intake."),
        _NOTES,
    ),
)

GRATES = Table(
    name="grates",
    one_row="one grate of one pit",
    when=(
        "when the size of the grates is to be known; without it the size is the "
        "largest row and column seen, and said to be assumed"
    ),
    key=("pit", "grate"),
    columns=(
        Column("pit", "text", "The pit, as named in pits.", needed=True),
        Column(
            "grate",
            "text",
            "Name of the grate.",
            when="if the pit has more than one grate; otherwise empty means main",
        ),
        _place("rows", "Rows of cells; row 1 is nearest the door."),
        _place("columns", "Columns of cells; column 1 is nearest the firebox."),
        Column(
            "cell_length",
            "number",
            "Length of a cell along the columns, away from the firebox.",
            unit="length",
            above=0,
        ),
        Column(
            "cell_width",
            "number",
            "Width of a cell along the rows.",
            unit="length",
            above=0,
        ),
        Column(
            "level",
            "whole",
            "Height in the pit; 1 is the lowest grate.",
            low=1,
            high=100,
        ),
        _NOTES,
    ),
)

BAKES = Table(
    name="bakes",
    one_row="one bake: one firing of one pit",
    when="always",
    key=("bake",),
    columns=(
        _bake("Name of the bake; no two bakes share one."),
        Column("pit", "text", "The pit that was fired, as named in pits.", needed=True),
        Column("session", "text", "The day or sitting to which the bake belongs."),
        _count("order", "Place of the bake within its session, from 1.", low=1),
        Column("date", "text", "Day of the bake, best as 2026-05-01."),
        Column("lot", "text", "Lot of the dough."),
        Column(
            "target_temp", "number", "Temperature aimed at.", unit="pit temperature"
        ),
        Column(
            "indicated_temp",
            "number",
            "Mean reading of the pit's own gauge over the bake.",
            unit="pit temperature",
        ),
        Column(
            "grate_temp",
            "number",
            "Mean temperature at the grate over the bake.",
            unit="pit temperature",
        ),
        _share("damper_open", "Opening of the stack damper: 0 is shut, 1 fully open."),
        _share(
            "intake_open", "Opening of the firebox intake: 0 is shut, 1 fully open."
        ),
        Column("plate", "text", "Plates or baffles fitted, and where."),
        Column("wood", "text", "Wood that was burned."),
        _count("splits", "Splits of wood burned from lighting to unloading."),
        Column("minutes", "number", "Length of the bake.", unit="min", above=0),
        *(
            Column(name, "clock", f"Clock time at which {what}.")
            for name, what in (
                ("lit_at", "the fire was lit"),
                ("steady_at", "the pit was steady"),
                ("last_split_at", "the last split before loading was added"),
                ("dough_out_at", "the dough came out of the cold"),
                ("loading_at", "loading began"),
                ("loaded_at", "all items were in and the lid was shut"),
                ("unloaded_at", "the lid was opened to unload"),
                ("emptied_at", "the last item was out"),
            )
        ),
        Column(
            "grading_at",
            "clock",
            "Clock time from which the items had cooled enough to be graded.",
        ),
        Column("tender", "text", "Who tended the fire."),
        Column("recorder", "text", "Who wrote down times and readings."),
        Column("grader", "text", "Who graded the items."),
        Column("blind", "yes/no", "Whether the grader did not know pit and place."),
        Column(
            "light",
            "text",
            "Light in which the items were graded: which lamp, or daylight.",
        ),
        Column("wind", "text", "Wind, in words or as measured."),
        Column("weather", "text", "Sun, shade or rain on the pit, in words."),
        Column(
            "ambient_temp",
            "number",
            "Temperature of the outdoor air.",
            unit="air temperature",
        ),
        _count("openings", "How often the lid was opened during the bake."),
        Column("rotated", "yes/no", "Whether items were moved during the bake."),
        Column(
            "photo", "text", "Path of a photograph, starting from the study folder."
        ),
        Column(
            "status",
            "choice",
            "planned: not baked yet; kept: enters the results; excluded: listed "
            "with its reason, enters no estimate. Empty means kept.",
            choices=("planned", "kept", "excluded"),
        ),
        Column(
            "reason",
            "text",
            "Why the bake was excluded.",
            when="if the status is excluded",
        ),
        _NOTES,
    ),
)

ITEMS = Table(
    name="items",
    one_row="one test item on one cell of one bake",
    when="unless counts has every kept bake",
    key=PLACE_COLUMNS,
    columns=(
        _bake(),
        _grate("if the pit has more than one grate"),
        _ROW,
        _COLUMN,
        Column("code", "text", "Code under which the item was graded."),
        *_GRADES,
        Column(
            "burned",
            "yes/no",
            "Whether the item was burned; may stand alone instead of grades and "
            "may not contradict them.",
        ),
        _RISE,
        _count(
            "load_rank", "Place of the item in the order of loading, from 1.", low=1
        ),
        Column(
            "minutes",
            "number",
            "Minutes the item spent in the pit.",
            unit="min",
            above=0,
        ),
        Column("grader", "text", "Who graded the item, if not the bake's grader."),
        _count(
            "grading_order", "Place of the item in the order of grading, from 1.", low=1
        ),
        Column(
            "missing",
            "text",
            "Why the item has no result: fallen, stuck, torn, not graded ... It "
            "counts as missing, never as unburned. An item without result and "
            "reason counts as missing too, as 'not recorded', and the check says "
            "how many there are.",
        ),
        _PHOTO,
        _NOTES,
    ),
)

COUNTS = Table(
    name="counts",
    one_row="one bake of which only totals were kept",
    when="for kept bakes without items",
    key=("bake",),
    columns=(
        _bake(),
        _count("n_items", "Items that were graded.", low=1, needed=True),
        _count("n_burned", "Items that were burned.", needed=True),
        _count("n_raw", "Items that were under-baked."),
    ),
)

PROBES = Table(
    name="probes",
    one_row="one reading of one probe",
    when="never needed",
    key=(),
    columns=(
        _bake(),
        Column(
            "probe",
            "text",
            "Name of the probe; names that begin with lid are lid gauges.",
            needed=True,
        ),
        _grate("if row or column is given and the pit has more than one grate"),
        _ROW,
        _COLUMN,
        Column(
            "minute",
            "number",
            "Minutes since loading; negative before it.",
            unit="min",
            needed=True,
        ),
        Column("temp", "number", "The reading.", unit="pit temperature", needed=True),
    ),
)

PROBE_CHECKS = Table(
    name="probe_checks",
    one_row="one reading of one probe while all probes lay at one place",
    when="never needed; with it the offset of each probe is taken off its readings",
    key=(),
    columns=(
        Column("probe", "text", "Name of the probe, as in probes.", needed=True),
        Column(
            "minute",
            "number",
            "Minutes since the check began; readings with the same minute are "
            "compared with each other.",
            unit="min",
        ),
        Column("temp", "number", "The reading.", unit="check temperature", needed=True),
        Column(
            "reference_temp",
            "number",
            "Temperature of the place by a thermometer that is trusted, or known, "
            "as of boiling water; empty: the mean of all probes stands for it.",
            unit="check temperature",
        ),
        _NOTES,
    ),
)

REGRADES = Table(
    name="regrades",
    one_row="one second grading of one item",
    when="never needed",
    key=(),
    columns=(
        Column(
            "code",
            "text",
            "Code of the item, as in items.",
            when="unless bake, row and column say which item it is",
        ),
        Column(
            "bake", "text", "The bake, as named in bakes.", when="if there is no code"
        ),
        _grate("if there is no code and the pit has more than one grate"),
        _ROW,
        _COLUMN,
        Column("grader", "text", "Who graded the second time."),
        *_GRADES,
        Column("missing", "text", "Why the second grader gave no grade."),
        _RISE,
        _PHOTO,
        _NOTES,
    ),
)

TABLES: tuple[Table, ...] = (
    PITS,
    GRATES,
    BAKES,
    ITEMS,
    COUNTS,
    PROBES,
    PROBE_CHECKS,
    REGRADES,
)
TABLE_NAMES: tuple[str, ...] = tuple(table.name for table in TABLES)
BY_NAME: dict[str, Table] = {table.name: table for table in TABLES}

#: Columns that name a row of a table, in whatever table they stand.
NAMED_BY = {"bake": "bakes", "pit": "pits"}
#: Where a row names one of another table: table, column, other table.
REFERENCES: tuple[tuple[str, str, str], ...] = tuple(
    (table.name, column, other)
    for table in TABLES
    for column, other in NAMED_BY.items()
    if column in table.column_names and other != table.name
)

#: Columns that are worked out from others; a typed column of that name would clash.
DERIVED_ITEM_COLUMNS = ("distance", "across", "distance_length", "underbaked", "good")
