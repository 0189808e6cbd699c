"""The questions that a page may ask, each a function of the results of its page.

Each returns a `Section`: the question, its answer in one sentence and what is shown,
or why the record has nothing to say to it.
"""

from pitstats.report.sections.area import section as area
from pitstats.report.sections.bake_maps import section as bake_maps
from pitstats.report.sections.bakes import section as bakes
from pitstats.report.sections.checklist import section as checklist
from pitstats.report.sections.design import section as design
from pitstats.report.sections.evenness import section as evenness
from pitstats.report.sections.faces import section as faces
from pitstats.report.sections.fairness import section as fairness
from pitstats.report.sections.gauges import meaning as browning
from pitstats.report.sections.gauges import section as gauges
from pitstats.report.sections.grades import section as grades
from pitstats.report.sections.grading import section as grading
from pitstats.report.sections.limits import section as limits
from pitstats.report.sections.maps import section as maps
from pitstats.report.sections.method import section as method
from pitstats.report.sections.next import section as next_steps
from pitstats.report.sections.noise import new_test as new_test
from pitstats.report.sections.noise import usual_mistake as usual_mistake
from pitstats.report.sections.pairs import section as pairs
from pitstats.report.sections.patterns import section as patterns
from pitstats.report.sections.plan import budget as budget
from pitstats.report.sections.plan import finds as findable
from pitstats.report.sections.plan import one_pit as one_pit
from pitstats.report.sections.plan import order as order_and_shopping
from pitstats.report.sections.plan import plans as plans
from pitstats.report.sections.plan import spreads as plan_spreads
from pitstats.report.sections.plan import steps as one_more_bake
from pitstats.report.sections.probes import cells as probed_cells
from pitstats.report.sections.probes import sensors as sensors
from pitstats.report.sections.probes import series as probe_series
from pitstats.report.sections.probes import survey as survey
from pitstats.report.sections.probes import temperatures as probed_temperatures
from pitstats.report.sections.ranks import section as ranks
from pitstats.report.sections.rates import section as rates
from pitstats.report.sections.retest import section as changes
from pitstats.report.sections.retest import what_else as what_else
from pitstats.report.sections.rise import section as rise
from pitstats.report.sections.safety import section as safety
from pitstats.report.sections.season import course as season_course
from pitstats.report.sections.season import graders as season_graders
from pitstats.report.sections.season import pairs as season_pairs
from pitstats.report.sections.season import rates as season_rates
from pitstats.report.sections.sensitivity import section as sensitivity
from pitstats.report.sections.settings import section as settings
from pitstats.report.sections.surface import section as surface
from pitstats.report.sections.temperatures import section as temperatures

__all__ = [
    "area",
    "bake_maps",
    "bakes",
    "browning",
    "budget",
    "changes",
    "checklist",
    "design",
    "evenness",
    "faces",
    "fairness",
    "findable",
    "gauges",
    "grades",
    "grading",
    "limits",
    "maps",
    "method",
    "new_test",
    "next_steps",
    "one_more_bake",
    "one_pit",
    "order_and_shopping",
    "pairs",
    "patterns",
    "plan_spreads",
    "plans",
    "probe_series",
    "probed_cells",
    "probed_temperatures",
    "ranks",
    "rates",
    "rise",
    "safety",
    "season_course",
    "season_graders",
    "season_pairs",
    "season_rates",
    "sensitivity",
    "sensors",
    "settings",
    "surface",
    "survey",
    "temperatures",
    "usual_mistake",
    "what_else",
]
