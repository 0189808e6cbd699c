"""The questions that a page may ask, each a function of the results of its page.

Each returns a `Section`: the question, its answer in one sentence and what is shown,
or why the record has nothing to say to it.
"""

from pitstats.report.sections.area import area as area
from pitstats.report.sections.bake_maps import bake_maps as bake_maps
from pitstats.report.sections.bakes import bakes as bakes
from pitstats.report.sections.checklist import checklist as checklist
from pitstats.report.sections.design import design as design
from pitstats.report.sections.evenness import evenness as evenness
from pitstats.report.sections.faces import faces as faces
from pitstats.report.sections.fairness import fairness as fairness
from pitstats.report.sections.gauges import browning as browning
from pitstats.report.sections.gauges import gauges as gauges
from pitstats.report.sections.grades import grades as grades
from pitstats.report.sections.grading import grading as grading
from pitstats.report.sections.limits import limits as limits
from pitstats.report.sections.maps import maps as maps
from pitstats.report.sections.method import method as method
from pitstats.report.sections.next import next_steps as next_steps
from pitstats.report.sections.noise import new_test as new_test
from pitstats.report.sections.noise import usual_mistake as usual_mistake
from pitstats.report.sections.pairs import pairs as pairs
from pitstats.report.sections.patterns import patterns as patterns
from pitstats.report.sections.plan import budget as budget
from pitstats.report.sections.plan import findable as findable
from pitstats.report.sections.plan import one_more_bake as one_more_bake
from pitstats.report.sections.plan import one_pit as one_pit
from pitstats.report.sections.plan import order_and_shopping as order_and_shopping
from pitstats.report.sections.plan import plan_spreads as plan_spreads
from pitstats.report.sections.plan import plans as plans
from pitstats.report.sections.probes import probe_series as probe_series
from pitstats.report.sections.probes import probed_cells as probed_cells
from pitstats.report.sections.probes import probed_temperatures as probed_temperatures
from pitstats.report.sections.probes import sensors as sensors
from pitstats.report.sections.ranks import ranks as ranks
from pitstats.report.sections.rates import rates as rates
from pitstats.report.sections.retest import changes as changes
from pitstats.report.sections.retest import further as further
from pitstats.report.sections.retest import what_else as what_else
from pitstats.report.sections.rise import rise as rise
from pitstats.report.sections.safety import safety as safety
from pitstats.report.sections.season import season_course as season_course
from pitstats.report.sections.season import season_graders as season_graders
from pitstats.report.sections.season import season_pairs as season_pairs
from pitstats.report.sections.season import season_rates as season_rates
from pitstats.report.sections.sensitivity import sensitivity as sensitivity
from pitstats.report.sections.settings import settings as settings
from pitstats.report.sections.surface import surface as surface
from pitstats.report.sections.survey import survey as survey
from pitstats.report.sections.temperatures import temperatures as temperatures
