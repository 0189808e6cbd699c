"""Did every probed cell stay near the set point: a uniformity survey."""

from __future__ import annotations

from functools import partial

from pitstats.analysis.heat.uniformity import UniformitySurvey
from pitstats.errors import DesignError
from pitstats.figures.temperatures import plot_survey
from pitstats.report.numbers import measured, signed
from pitstats.report.probe_results import ProbeResults
from pitstats.report.section import Answered, Picture, Sentences, Table, Text, asks
from pitstats.report.sections.temperatures import NO_PROBES
from pitstats.report.tables import Columns, Row, of, span_of, table_of, written
from pitstats.report.words import count, one_line, plural

UNEQUAL_SWING = (
    "A cell passes only if its lowest and its highest reading in the bake window stay "
    "inside the band, so a fire that swings fails it as surely as a cold corner does."
)


@asks("survey", "a survey of cells", "Did every cell stay near the set point?")
def survey(results: ProbeResults) -> Answered:
    """Whether every probed cell stayed near the set point."""
    if results.study.probes.empty:
        raise DesignError(NO_PROBES)
    found = results.survey
    within, n = (int(found.pits[name].sum()) for name in ("n_bakes_within", "n_bakes"))
    answer = (
        f"Every probed cell stayed within {measured(found.tolerance)} °{found.unit} in "
        f"{within} of {n} {plural(n, 'bake')}."
    )
    yield answer
    yield Picture("survey", partial(plot_survey, found), answer, survey_caption(found))
    yield Sentences([*survey_sentences(found), *found.caveats])
    yield Text(UNEQUAL_SWING * (found.basis == "readings"), "note")
    yield survey_table(found)


def survey_sentences(survey: UniformitySurvey) -> list[str]:
    """Say how each pit came out of the uniformity survey."""
    return [_surveyed(row, survey) for row in survey.pits.to_dict("records")]


def _surveyed(row: Row, survey: UniformitySurvey) -> str:
    name, unit = one_line(row["pit"]), survey.unit
    n, within = int(row["n_bakes"]), int(row["n_bakes_within"])
    if n == 0:
        return f"{name}: no bake could be surveyed."
    band = f"within {measured(survey.tolerance)} °{unit} of the set point"
    every = "every probed cell"
    if n == 1:
        every = every if within else "not every probed cell"
        often = "in its one bake"
    elif within in (0, n):
        often = f"in {'each' if within else 'none'} of its {count(n, 'bake')}"
    else:
        often = f"in {within} of its {n} bakes"
    always = "" if n == 1 else " in every bake"
    met = (
        f"the narrowest class kept throughout is {row['class_met']}"
        if row["class_met"] != "none"
        else "no class was kept throughout"
    )
    return (
        f"{name}: {every} stayed {band} {often}; "
        f"{int(row['n_always_within'])} of {int(row['n_probed'])} probed cells stayed "
        f"there{always}; {met}."
    )


def survey_table(survey: UniformitySurvey) -> Table:
    """The survey bake by bake."""
    unit = f"°{survey.unit}"
    columns: Columns = {
        "Pit": "pit",
        "Bake": "bake",
        f"Set point, {unit}": written(measured, "set_point"),
        "Cells within, of those probed": of("n_within", "n_probed"),
        f"Lowest to highest, {unit}": span_of(measured, "lowest", "highest"),
        f"Farthest from set point, {unit}": written(signed, "worst"),
        "Narrowest class kept": "class_met",
    }
    return table_of("survey", survey.table, "Bake by bake", columns)


def survey_caption(survey: UniformitySurvey) -> str:
    """Say what the survey did, and what it does not claim."""
    name = "" if survey.tolerance_name == "own" else f" ({survey.tolerance_name})"
    what = "readings" if survey.basis == "readings" else "means over the bake"
    return (
        f"Cells within {measured(survey.tolerance)} °{survey.unit}{name} of the set "
        f"point, by their {what}; measured after the pattern of published uniformity "
        "surveys for furnaces, as a description of these bakes"
    )
