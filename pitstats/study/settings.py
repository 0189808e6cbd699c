"""The settings of a study: what ``study.toml`` states, read and checked."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from pitstats.study.schema import DEFAULT_GRADES


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What holds for the whole study.

    Parameters
    ----------
    title, question : str
        Shown first in every report.
    temperature_rule : {"same indicated", "same grate", "maker's setting", "tuned"}
        How the heat of the pits was matched.
    temperature_unit : {"F", "C"} or None
        Unit of every temperature; None only if the study has none.
    length_unit : {"in", "cm"} or None
        Unit of every length; None only if the study has none.
    stop_rule : str
        When a bake was ended, in words.
    grades : tuple of str
        Names of the ordered grades, palest first.
    raw_to : str
        Darkest grade that counts as under-baked; the first grade if not given.
    burned_from : str
        First grade that counts as burned; the last grade if not given.
    target_grades : tuple of str
        Grades that count as good.
    face : {"worst", "top", "bottom", "side"}
        Face that decides whether an item is burned.
    margin : float or None
        Smallest difference in burn rate that would change advice, above 0, at most 1.
    conf_level : float
        Between 0 and 1.
    looks_planned, looks_taken : tuple of int
        Bakes of each pit after which anyone is to look, and looked; empty if not
        stated.
    looks_written : str
        Day on which the planned looks were written down, or "yes"; "" if not stated.
    earlier_sd : float or None
        Spread between bakes borrowed from earlier tests, logit scale.
    earlier_factor : float
        Factor within which the earlier tests know it, above 1.
    earlier_declared : str
        "yes" or the day when borrowing was declared before the bakes, else "".
    extra : dict
        Keys of the user's own, carried through.

    Examples
    --------
    >>> settings = Settings(title="T", question="Q", temperature_rule="tuned")
    >>> settings.burned_from, settings.burned_code
    ('burned', 4)
    """

    title: str
    question: str
    temperature_rule: str
    temperature_unit: str | None = None
    length_unit: str | None = None
    stop_rule: str = ""
    grades: tuple[str, ...] = DEFAULT_GRADES
    raw_to: str = ""
    burned_from: str = ""
    target_grades: tuple[str, ...] = ("golden",)
    face: str = "worst"
    margin: float | None = None
    conf_level: float = 0.95
    looks_planned: tuple[int, ...] = ()
    looks_taken: tuple[int, ...] = ()
    looks_written: str = ""
    earlier_sd: float | None = None
    earlier_factor: float = 1.5
    earlier_declared: str = ""
    extra: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Fill in the ends of the grade scale where they are not stated."""
        object.__setattr__(self, "grades", tuple(self.grades))
        for name in ("target_grades", "looks_planned", "looks_taken"):
            object.__setattr__(self, name, tuple(getattr(self, name)))
        if self.grades:
            object.__setattr__(self, "raw_to", self.raw_to or self.grades[0])
            object.__setattr__(self, "burned_from", self.burned_from or self.grades[-1])

    @property
    def raw_code(self) -> int:
        """Place of ``raw_to`` on the grade scale, counted from 0."""
        return self.grades.index(self.raw_to)

    @property
    def burned_code(self) -> int:
        """Place of ``burned_from`` on the grade scale, counted from 0."""
        return self.grades.index(self.burned_from)


#: Settings in which nothing is stated yet.
BLANK = Settings(title="", question="", temperature_rule="")
