"""Every table and column of a study, described once.

The checks, the blank study, the data dictionary and the entry workbook all read these
descriptions; a new column is added here and nowhere else. Nothing is imported beyond
the standard library, so the descriptions are cheap to use anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
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
FACES = ("top", "bottom", "side")


@dataclass(frozen=True, kw_only=True)
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


@dataclass(frozen=True, kw_only=True)
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
        name="title",
        kind="text",
        needed=True,
        meaning="Title of the study, shown first in every report.",
    ),
    Setting(
        name="question",
        kind="text",
        needed=True,
        meaning="The question the bakes were to answer, shown beside the title.",
    ),
    Setting(
        name="temperature_unit",
        kind="choice",
        choices=("F", "C"),
        default="none: needed as soon as any temperature is recorded",
        meaning="Unit of every temperature in the study.",
    ),
    Setting(
        name="length_unit",
        kind="choice",
        choices=("in", "cm"),
        default="none: needed as soon as any cell size is recorded",
        meaning="Unit of every length in the study.",
    ),
    Setting(
        name="temperature_rule",
        kind="choice",
        needed=True,
        choices=("same indicated", "same grate", "maker's setting", "tuned"),
        meaning=(
            "How the heat of the pits was matched: the same reading of the pits' own "
            "gauges, the same temperature at the grate, the setting each maker "
            "advises, or each pit tuned beforehand."
        ),
    ),
    Setting(
        name="stop_rule",
        kind="text",
        default="empty",
        meaning="When a bake was ended, in words.",
    ),
    Setting(
        name="grades",
        kind="names",
        default=", ".join(DEFAULT_GRADES),
        meaning="Names of the ordered grades, palest first.",
    ),
    Setting(
        name="raw_to",
        kind="name",
        default="the first grade",
        meaning="The darkest grade that still counts as under-baked.",
    ),
    Setting(
        name="burned_from",
        kind="name",
        default="the last grade",
        meaning="The first grade that counts as burned.",
    ),
    Setting(
        name="target_grades",
        kind="names",
        default="golden",
        meaning=(
            "Grades that count as good; an item is good when every face that was "
            "graded has one of them."
        ),
    ),
    Setting(
        name="face",
        kind="choice",
        choices=("worst", *FACES),
        default="worst",
        meaning=(
            "The graded face that decides whether an item is burned: the darkest of "
            "all graded faces, or the top, the bottom or the side toward the fire."
        ),
    ),
    Setting(
        name="margin",
        kind="number",
        default="not set",
        meaning=(
            "Smallest difference in burn rate that would change advice, above 0 and "
            "at most 1 (0.15 = 15 points), stated before the bakes."
        ),
    ),
    Setting(
        name="conf_level",
        kind="number",
        default="0.95",
        meaning="Confidence level of every interval, between 0 and 1.",
    ),
    Setting(
        name="looks_planned",
        kind="looks",
        group="looks",
        default="not stated: one look at the end",
        meaning=(
            "Bakes of each pit after which the results will be looked at, written down "
            "before the first bake, such as 2, 4, 6."
        ),
    ),
    Setting(
        name="looks_taken",
        kind="looks",
        group="looks",
        default="not stated",
        meaning=(
            "Bakes of each pit after which the results were looked at so far, the "
            "present look included."
        ),
    ),
    Setting(
        name="looks_written",
        kind="when",
        group="looks",
        default="not stated",
        meaning="Day on which the planned looks were written down.",
    ),
    Setting(
        name="earlier_sd",
        kind="spread",
        group="earlier",
        high=2.5,
        default="not stated: nothing is borrowed",
        meaning=(
            "Spread between bakes (SD on the logit scale) that your own earlier tests "
            "of the same kind showed."
        ),
    ),
    Setting(
        name="earlier_factor",
        kind="spread",
        group="earlier",
        low=1.05,
        high=4.0,
        default="1.5",
        meaning="Factor within which the earlier tests know that spread.",
    ),
    Setting(
        name="earlier_declared",
        kind="when",
        group="earlier",
        default="no: the answer that borrows nothing leads",
        meaning=(
            "Whether borrowing the earlier spread was declared before the bakes: yes, "
            "no, or the day."
        ),
    ),
)
SETTING_NAMES: tuple[str, ...] = tuple(setting.name for setting in SETTINGS)
SETTING_GROUPS: tuple[str, ...] = ("looks", "earlier")

_GRADE_CELL = "A name of the grade list, or its number counted from 0 for the palest."


def _bake(meaning: str = "The bake, as named in bakes.") -> Column:
    return Column(name="bake", kind="text", needed=True, meaning=meaning)


def _grate(when: str) -> Column:
    return Column(
        name="grate",
        kind="text",
        when=when,
        meaning="The grate of the pit, as named in grates.",
    )


def _row(meaning: str = "Row of the cell; row 1 is nearest the door.") -> Column:
    return Column(name="row", kind="whole", low=1, high=LARGEST_GRATE, meaning=meaning)


def _column() -> Column:
    return Column(
        name="column",
        kind="whole",
        low=1,
        high=LARGEST_GRATE,
        meaning="Column of the cell; column 1 is nearest the firebox.",
    )


def _faces() -> tuple[Column, ...]:
    places = ("the top", "the bottom", "the side toward the fire")
    return tuple(
        Column(
            name=f"grade_{face}",
            kind="grade",
            meaning=f"Grade of {place}. {_GRADE_CELL}",
        )
        for face, place in zip(FACES, places, strict=True)
    )


def _rise() -> Column:
    return Column(
        name="rise_mm",
        kind="number",
        unit="mm",
        low=0,
        high=500,
        meaning="Height after baking.",
    )


def _notes() -> Column:
    return Column(name="notes", kind="text", meaning="Anything worth telling.")


def _seen() -> tuple[Column, ...]:
    photo = "Name of the file of a photograph of the item."
    return Column(name="photo", kind="text", meaning=photo), _notes()


PITS = Table(
    name="pits",
    one_row="one pit",
    when="always",
    key=("pit",),
    columns=(
        Column(
            name="pit",
            kind="text",
            needed=True,
            meaning="Short name of the pit, used in every other table.",
        ),
        Column(
            name="label",
            kind="text",
            meaning="Name shown to readers; the short name is shown if empty.",
        ),
        Column(
            name="flow",
            kind="choice",
            choices=("conventional", "reverse"),
            meaning=(
                "Whether the gas leaves at the far end (conventional) or comes back "
                "over the food (reverse)."
            ),
        ),
        Column(
            name="has_damper",
            kind="yes/no",
            meaning="Whether the stack has a damper; empty is not the same as no.",
        ),
        Column(
            name="has_intake",
            kind="yes/no",
            meaning="Whether the firebox has an adjustable intake.",
        ),
        _notes(),
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
        Column(
            name="pit",
            kind="text",
            needed=True,
            meaning="The pit, as named in pits.",
        ),
        Column(
            name="grate",
            kind="text",
            when="if the pit has more than one grate; otherwise empty means main",
            meaning="Name of the grate.",
        ),
        Column(
            name="rows",
            kind="whole",
            low=1,
            high=LARGEST_GRATE,
            meaning="Rows of cells; row 1 is nearest the door.",
        ),
        Column(
            name="columns",
            kind="whole",
            low=1,
            high=LARGEST_GRATE,
            meaning="Columns of cells; column 1 is nearest the firebox.",
        ),
        Column(
            name="cell_length",
            kind="number",
            unit="length",
            above=0,
            meaning="Length of a cell along the columns, away from the firebox.",
        ),
        Column(
            name="cell_width",
            kind="number",
            unit="length",
            above=0,
            meaning="Width of a cell along the rows.",
        ),
        Column(
            name="level",
            kind="whole",
            low=1,
            high=100,
            meaning="Height in the pit; 1 is the lowest grate.",
        ),
        _notes(),
    ),
)

BAKES = Table(
    name="bakes",
    one_row="one bake: one firing of one pit",
    when="always",
    key=("bake",),
    columns=(
        _bake("Name of the bake; no two bakes share one."),
        Column(
            name="pit",
            kind="text",
            needed=True,
            meaning="The pit that was fired, as named in pits.",
        ),
        Column(
            name="session",
            kind="text",
            meaning="The day or sitting to which the bake belongs.",
        ),
        Column(
            name="order",
            kind="whole",
            low=1,
            high=LARGEST_WHOLE,
            meaning="Place of the bake within its session, from 1.",
        ),
        Column(
            name="date",
            kind="text",
            meaning="Day of the bake, best as 2026-05-01.",
        ),
        Column(name="lot", kind="text", meaning="Lot of the dough."),
        Column(
            name="target_temp",
            kind="number",
            unit="pit temperature",
            meaning="Temperature aimed at.",
        ),
        Column(
            name="indicated_temp",
            kind="number",
            unit="pit temperature",
            meaning="Mean reading of the pit's own gauge over the bake.",
        ),
        Column(
            name="grate_temp",
            kind="number",
            unit="pit temperature",
            meaning="Mean temperature at the grate over the bake.",
        ),
        Column(
            name="damper_open",
            kind="number",
            low=0,
            high=1,
            meaning="Opening of the stack damper: 0 is shut, 1 fully open.",
        ),
        Column(
            name="intake_open",
            kind="number",
            low=0,
            high=1,
            meaning="Opening of the firebox intake: 0 is shut, 1 fully open.",
        ),
        Column(
            name="plate",
            kind="text",
            meaning="Plates or baffles fitted, and where.",
        ),
        Column(name="wood", kind="text", meaning="Wood that was burned."),
        Column(
            name="splits",
            kind="whole",
            low=0,
            high=LARGEST_WHOLE,
            meaning="Splits of wood burned from lighting to unloading.",
        ),
        Column(
            name="minutes",
            kind="number",
            unit="min",
            above=0,
            meaning="Length of the bake.",
        ),
        *(
            Column(name=name, kind="clock", meaning=f"Clock time at which {what}.")
            for name, what in (
                ("lit_at", "the fire was lit"),
                ("steady_at", "the pit was steady"),
                ("last_split_at", "the last split before loading was added"),
                ("dough_out_at", "the dough came out of the cold"),
                ("loading_at", "loading began"),
            )
        ),
        Column(
            name="loaded_at",
            kind="clock",
            meaning="Clock time at which all items were in and the lid was shut.",
        ),
        Column(
            name="unloaded_at",
            kind="clock",
            meaning="Clock time at which the lid was opened to unload.",
        ),
        Column(
            name="emptied_at",
            kind="clock",
            meaning="Clock time at which the last item was out.",
        ),
        Column(
            name="grading_at",
            kind="clock",
            meaning="Clock time from which the items had cooled enough to be graded.",
        ),
        Column(name="tender", kind="text", meaning="Who tended the fire."),
        Column(
            name="recorder", kind="text", meaning="Who wrote down times and readings."
        ),
        Column(name="grader", kind="text", meaning="Who graded the items."),
        Column(
            name="blind",
            kind="yes/no",
            meaning="Whether the grader did not know pit and place.",
        ),
        Column(
            name="light",
            kind="text",
            meaning="Light in which the items were graded: which lamp, or daylight.",
        ),
        Column(name="wind", kind="text", meaning="Wind, in words or as measured."),
        Column(
            name="weather",
            kind="text",
            meaning="Sun, shade or rain on the pit, in words.",
        ),
        Column(
            name="ambient_temp",
            kind="number",
            unit="air temperature",
            meaning="Temperature of the outdoor air.",
        ),
        Column(
            name="openings",
            kind="whole",
            low=0,
            high=LARGEST_WHOLE,
            meaning="How often the lid was opened during the bake.",
        ),
        Column(
            name="rotated",
            kind="yes/no",
            meaning="Whether items were moved during the bake.",
        ),
        Column(
            name="photo",
            kind="text",
            meaning="Path of a photograph, starting from the study folder.",
        ),
        Column(
            name="status",
            kind="choice",
            choices=("planned", "kept", "excluded"),
            meaning=(
                "planned: not baked yet; kept: enters the results; excluded: listed "
                "with its reason, enters no estimate. Empty means kept."
            ),
        ),
        Column(
            name="reason",
            kind="text",
            when="if the status is excluded",
            meaning="Why the bake was excluded.",
        ),
        _notes(),
    ),
)

ITEMS = Table(
    name="items",
    one_row="one test item on one cell of one bake",
    when="unless counts has every kept bake",
    key=("bake", "grate", "row", "column"),
    columns=(
        _bake(),
        _grate("if the pit has more than one grate"),
        _row(),
        _column(),
        Column(
            name="code",
            kind="text",
            meaning="Code under which the item was graded.",
        ),
        *_faces(),
        Column(
            name="burned",
            kind="yes/no",
            meaning=(
                "Whether the item was burned; may stand alone instead of grades and "
                "may not contradict them."
            ),
        ),
        _rise(),
        Column(
            name="load_rank",
            kind="whole",
            low=1,
            high=LARGEST_WHOLE,
            meaning="Place of the item in the order of loading, from 1.",
        ),
        Column(
            name="minutes",
            kind="number",
            unit="min",
            above=0,
            meaning="Minutes the item spent in the pit.",
        ),
        Column(
            name="grader",
            kind="text",
            meaning="Who graded the item, if not the bake's grader.",
        ),
        Column(
            name="grading_order",
            kind="whole",
            low=1,
            high=LARGEST_WHOLE,
            meaning="Place of the item in the order of grading, from 1.",
        ),
        Column(
            name="missing",
            kind="text",
            meaning=(
                "Why the item has no result: fallen, stuck, torn, not graded ... It "
                "counts as missing, never as unburned. An item without result and "
                "reason counts as missing too, as 'not recorded', and the check says "
                "how many there are."
            ),
        ),
        *_seen(),
    ),
)

COUNTS = Table(
    name="counts",
    one_row="one bake of which only totals were kept",
    when="for kept bakes without items",
    key=("bake",),
    columns=(
        _bake(),
        Column(
            name="n_items",
            kind="whole",
            needed=True,
            low=1,
            high=LARGEST_WHOLE,
            meaning="Items that were graded.",
        ),
        Column(
            name="n_burned",
            kind="whole",
            needed=True,
            low=0,
            high=LARGEST_WHOLE,
            meaning="Items that were burned.",
        ),
        Column(
            name="n_raw",
            kind="whole",
            low=0,
            high=LARGEST_WHOLE,
            meaning="Items that were under-baked.",
        ),
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
            name="probe",
            kind="text",
            needed=True,
            meaning="Name of the probe; names that begin with lid are lid gauges.",
        ),
        _grate("if row or column is given and the pit has more than one grate"),
        _row(),
        _column(),
        Column(
            name="minute",
            kind="number",
            unit="min",
            needed=True,
            meaning="Minutes since loading; negative before it.",
        ),
        Column(
            name="temp",
            kind="number",
            unit="pit temperature",
            needed=True,
            meaning="The reading.",
        ),
    ),
)

PROBE_CHECKS = Table(
    name="probe_checks",
    one_row="one reading of one probe while all probes lay at one place",
    when="never needed; with it the offset of each probe is taken off its readings",
    key=(),
    columns=(
        Column(
            name="probe",
            kind="text",
            needed=True,
            meaning="Name of the probe, as in probes.",
        ),
        Column(
            name="minute",
            kind="number",
            unit="min",
            meaning=(
                "Minutes since the check began; readings with the same minute are "
                "compared with each other."
            ),
        ),
        Column(
            name="temp",
            kind="number",
            unit="check temperature",
            needed=True,
            meaning="The reading.",
        ),
        Column(
            name="reference_temp",
            kind="number",
            unit="check temperature",
            meaning=(
                "Temperature of the place by a thermometer that is trusted, or known, "
                "as of boiling water; empty: the mean of all probes stands for it."
            ),
        ),
        _notes(),
    ),
)

REGRADES = Table(
    name="regrades",
    one_row="one second grading of one item",
    when="never needed",
    key=(),
    columns=(
        Column(
            name="code",
            kind="text",
            when="unless bake, row and column say which item it is",
            meaning="Code of the item, as in items.",
        ),
        Column(
            name="bake",
            kind="text",
            when="if there is no code",
            meaning="The bake, as named in bakes.",
        ),
        _grate("if there is no code and the pit has more than one grate"),
        _row(),
        _column(),
        Column(name="grader", kind="text", meaning="Who graded the second time."),
        *_faces(),
        Column(
            name="missing",
            kind="text",
            meaning="Why the second grader gave no grade.",
        ),
        _rise(),
        *_seen(),
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
