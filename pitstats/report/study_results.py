"""Everything that is worked out from one study, each thing once and when asked for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial
from typing import TypeVar

from pitstats.analysis.fairness import Finding, audit_fairness
from pitstats.analysis.fairness.design_audit import DesignAudit, audit_design
from pitstats.analysis.fairness.extra_bakes import ExtraBakes, suggest_bakes
from pitstats.analysis.grading.agreement import GradingAgreement, compare_gradings
from pitstats.analysis.grading.grade_comparison import compare_grades
from pitstats.analysis.heat.rise import compare_rise
from pitstats.analysis.heat.temperatures import compare_temperatures
from pitstats.analysis.model.burn_model import distance_curves
from pitstats.analysis.next_steps.suggest import NextStep, suggest_next
from pitstats.analysis.places.evenness import compare_evenness
from pitstats.analysis.places.faces import compare_faces
from pitstats.analysis.places.pattern import GratePatterns, map_patterns
from pitstats.analysis.places.surface import map_surface
from pitstats.analysis.places.usable_area import estimate_usable_area
from pitstats.analysis.rates.early_stop import EarlyStop, early_stop
from pitstats.analysis.rates.pairs import WITHOUT_VERDICT
from pitstats.analysis.rates.ranks import PitRanks, rank_pits
from pitstats.analysis.rates.rates import estimate_burn_rates
from pitstats.analysis.rates.two_layouts import compare_both_ways
from pitstats.analysis.results import PitComparison
from pitstats.analysis.sensitivity.sensitivity import Sensitivity, check_sensitivity
from pitstats.errors import ArgumentError
from pitstats.exchange.result_tables import result_files
from pitstats.report.words import one_line
from pitstats.study.study import Study

# Which result is what a public function returns for the study alone.
_PUBLIC = {
    "compare_both_ways": "both",
    "estimate_burn_rates": "rates",
    "rank_pits": "ranks",
    "compare_grades": "grades",
    "compare_gradings": "gradings",
    "compare_evenness": "evenness",
    "compare_faces": "faces",
    "estimate_usable_area": "area",
    "map_patterns": "patterns",
    "map_surface": "surface",
    "compare_temperatures": "temperatures",
    "compare_rise": "rise",
}


Result = TypeVar("Result")


def _at_its_level(call: Callable[..., Result]) -> cached_property[Result]:
    """What a function finds in the study at the level of the page."""
    return cached_property(lambda page: call(page.study, conf_level=page.conf_level))


@dataclass(frozen=True, eq=False)
class StudyResults:
    """Results of one study for the sections of a page.

    Every result is worked out when first asked for and then kept, so that sections
    may stand in any order; none depends on another having been shown.

    Parameters
    ----------
    study : Study
        A valid study.
    conf_level : float or None, default None
        Between 0 and 1; None: the level of the study.
    seed : int, default 1
        Of everything random.

    Raises
    ------
    DesignError
        By a result that this study cannot give.

    Examples
    --------
    >>> import pitstats as ps
    >>> ps.StudyResults(ps.demo_study("four_pits")).both.leads
    'common'
    """

    study: Study
    conf_level: float | None = None
    seed: int = 1

    #: The comparison as baked and on a common layout.
    both = _at_its_level(compare_both_ways)
    #: Rates as baked, from all items.
    rates = _at_its_level(estimate_burn_rates)
    #: All grades at once.
    grades = _at_its_level(compare_grades)
    #: Thirds of each pit's own grates.
    evenness = _at_its_level(compare_evenness)
    #: Chances of burning along the grate, and what to say of them.
    curves = _at_its_level(distance_curves)
    #: Smoothed chances of burning.
    surface = _at_its_level(map_surface)
    #: Usable share and area of each pit.
    area = _at_its_level(estimate_usable_area)
    #: Temperatures at the grate, by the default rules for probes.
    temperatures = _at_its_level(compare_temperatures)
    #: Rise of the items.
    rise = _at_its_level(compare_rise)
    #: Two faces of the same items.
    faces = _at_its_level(compare_faces)

    def __post_init__(self) -> None:
        """Refuse a seed that no generator takes, before any of them is asked."""
        if self.seed < 0:
            raise ArgumentError(f"seed is {self.seed}; use a whole number from 0 up.")

    @property
    def about(self) -> str:
        """Title of the study and where it was read from, to tell pages apart."""
        title = one_line(self.study.settings.title)
        source = self.study.source
        return title if source is None else f"{title} (study {source.name})"

    @property
    def as_packed(self) -> bool:
        """Whether level and seed are those of the results in a package."""
        return self.conf_level is None and self.seed == 1

    def files(self) -> dict[str, bytes]:
        """Result files of a package, from what is worked out here where it can be."""
        at_hand = {call: partial(getattr, self, own) for call, own in _PUBLIC.items()}
        return result_files(self.study, at_hand=at_hand)

    @property
    def comparison(self) -> PitComparison:
        """The comparison to read first."""
        return self.both.leading

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """What the audit of fairness found."""
        return tuple(audit_fairness(self.study, design=self.design))

    @cached_property
    def design(self) -> DesignAudit:
        """What the design can never separate."""
        return audit_design(self.study)

    @cached_property
    def ranks(self) -> PitRanks:
        """Ranks of three pits or more, from the comparison to read first."""
        return rank_pits(self.study, self.comparison)

    @cached_property
    def extra_bakes(self) -> ExtraBakes:
        """The fewest bakes that would separate what the design cannot."""
        return suggest_bakes(self.study, design=self.design)

    @cached_property
    def gradings(self) -> GradingAgreement:
        """Second gradings against the first."""
        return compare_gradings(self.study, both=self.both)

    @cached_property
    def sensitivity(self) -> Sensitivity:
        """The comparison made again under every alternative on record."""
        return check_sensitivity(self.study, both=self.both, refit=False)

    @cached_property
    def next_step(self) -> NextStep:
        """The one recommendation of what to do next."""
        undecided = self.comparison.table["verdict"].isin(WITHOUT_VERDICT).any()
        sensitivity = None if undecided else self.sensitivity
        return suggest_next(
            self.study, both=self.both, sensitivity=sensitivity, seed=self.seed
        )

    @cached_property
    def early_stop(self) -> EarlyStop | None:
        """By how much a difference seen at an early stop is too large."""
        return early_stop(self.both)

    @cached_property
    def patterns(self) -> GratePatterns:
        """Zones of the grates that stand out."""
        return map_patterns(self.study, seed=self.seed, conf_level=self.conf_level)
