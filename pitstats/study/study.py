"""The study: settings and tables that passed every check."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from pitstats.errors import InvalidStudyError
from pitstats.study.cells import counted
from pitstats.study.checks import check_tables
from pitstats.study.form import Form
from pitstats.study.problems import ProblemLog
from pitstats.study.schema import TABLE_NAMES
from pitstats.study.settings import Settings
from pitstats.study.settings_checks import check_settings

#: Row of the first record as a spreadsheet counts, below the header.
FIRST_ROW = 2


@dataclass(frozen=True, kw_only=True, eq=False, repr=False)
class Study:
    """What was recorded in a bake test. A study that breaks a rule cannot be made.

    Parameters
    ----------
    settings : Settings
        What holds for the whole study.
    pits, grates, bakes, items, counts, probes, probe_checks, regrades : DataFrame
        The tables as described in the data dictionary. Columns that are not given are
        added empty, columns of one's own follow behind. Text is stored as ``str``,
        yes/no as nullable ``boolean``, whole numbers as ``Int64``, other numbers as
        ``float64`` with 15 significant digits. Grades are stored by name, an empty
        status as ``"kept"``, an empty grate as the only grate of its pit; grates whose
        size is not stated get the largest row and column seen.
    assumptions : tuple of str
        What was assumed in reading; shown with results, not part of equality.
    source : Path, optional
        Folder the study was read from, in which its photographs lie; not part of
        equality.
    form : Form
        Where its user finds tables and settings: which files and lines, or which sheets
        and cells; not part of equality.
    plan : bytes, optional
        The plan that was frozen before its first bake, as it lies beside it (see
        `frozen_plan`); not part of equality.

    Raises
    ------
    InvalidStudyError
        If any table breaks a rule; lists all problems, with rows counted from 2.

    Examples
    --------
    >>> import pandas as pd
    >>> study = Study(
    ...     settings=Settings(
    ...         title="Two pits", question="Which burns more?",
    ...         temperature_rule="same grate",
    ...     ),
    ...     pits=pd.DataFrame({"pit": ["A", "B"]}),
    ...     bakes=pd.DataFrame({"bake": ["1", "2"], "pit": ["A", "B"]}),
    ...     counts=pd.DataFrame(
    ...         {"bake": ["1", "2"], "n_items": [18, 16], "n_burned": [3, 7]}
    ...     ),
    ... )
    >>> study
    Study('Two pits': 2 pits, 2 bakes, 34 items)
    """

    settings: Settings
    pits: pd.DataFrame = field(default_factory=pd.DataFrame)
    grates: pd.DataFrame = field(default_factory=pd.DataFrame)
    bakes: pd.DataFrame = field(default_factory=pd.DataFrame)
    items: pd.DataFrame = field(default_factory=pd.DataFrame)
    counts: pd.DataFrame = field(default_factory=pd.DataFrame)
    probes: pd.DataFrame = field(default_factory=pd.DataFrame)
    probe_checks: pd.DataFrame = field(default_factory=pd.DataFrame)
    regrades: pd.DataFrame = field(default_factory=pd.DataFrame)
    assumptions: tuple[str, ...] = ()
    source: Path | None = None
    form: Form = field(default_factory=Form)
    plan: bytes | None = None

    def __post_init__(self) -> None:
        """Read, complete and check everything."""
        log = ProblemLog(assumptions=list(self.assumptions), form=self.form)
        settings = check_settings(self.settings, log)
        raw = {name: _numbered(getattr(self, name)) for name in TABLE_NAMES}
        tables = check_tables(raw, settings, log)
        if log.problems:
            log.form = Form()  # rows of tables in memory are not those of any file
            raise InvalidStudyError(log.ordered())
        self._fill(settings, tables, log.assumptions)

    @classmethod
    def from_checked(
        cls,
        settings: Settings,
        tables: Mapping[str, pd.DataFrame],
        assumptions: Iterable[str],
        source: Path | None = None,
        form: Form | None = None,
        plan: bytes | None = None,
    ) -> Study:
        """Make a study of tables that `check_tables` returned without a problem."""
        study = object.__new__(cls)
        object.__setattr__(study, "source", source)
        object.__setattr__(study, "form", form or Form())
        object.__setattr__(study, "plan", plan)
        study._fill(settings, tables, assumptions)
        return study

    def _fill(
        self,
        settings: Settings,
        tables: Mapping[str, pd.DataFrame],
        assumptions: Iterable[str],
    ) -> None:
        object.__setattr__(self, "settings", settings)
        object.__setattr__(self, "assumptions", tuple(assumptions))
        for name, table in tables.items():
            object.__setattr__(self, name, table.reset_index(drop=True))

    @property
    def kept(self) -> pd.DataFrame:
        """Bakes that count: neither planned nor excluded."""
        return self.bakes[self.bakes["status"].eq("kept")]

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """All tables by name, in the order of the data dictionary."""
        return {name: getattr(self, name) for name in TABLE_NAMES}

    def __eq__(self, other: object) -> bool:
        """Compare settings and all tables; where they come from does not count."""
        if not isinstance(other, Study):
            return NotImplemented
        if self is other:
            return True
        return self.settings == other.settings and all(
            getattr(self, name).equals(getattr(other, name)) for name in TABLE_NAMES
        )

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        n_items = len(self.items) + int(self.counts["n_items"].sum())
        pits, bakes = counted(len(self.pits), "pit"), counted(len(self.bakes), "bake")
        items = counted(n_items, "item")
        return f"Study({self.settings.title!r}: {pits}, {bakes}, {items})"


def _numbered(frame: pd.DataFrame) -> pd.DataFrame:
    """Number the rows as a spreadsheet would."""
    frame = frame.reset_index(drop=True)
    frame.index = pd.RangeIndex(FIRST_ROW, FIRST_ROW + len(frame))
    return frame
