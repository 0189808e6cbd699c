"""From a notebook and a study to one self-contained page."""

from pitstats.report.render.parameters import parse_parameters as parse_parameters
from pitstats.report.render.report import notebook_names as notebook_names
from pitstats.report.render.report import render_report as render_report
