"""Did every probed cell stay near the set point: a uniformity survey."""

from __future__ import annotations

from collections.abc import Hashable
from functools import partial
from typing import Any

import pandas as pd

from pitstats.analysis.heat.uniformity import UniformitySurvey
from pitstats.figures.temperatures import plot_survey
from pitstats.report.numbers import NO_VALUE, measured, true_minus
from pitstats.report.section import Part, Picture, Sentences, Table, Text
from pitstats.report.words import count, one_line

UNEQUAL_SWING = (
    "A cell passes only if its lowest and its highest reading in the bake window stay "
    "inside the band, so a fire that swings fails it as surely as a cold corner does."
)


def body(survey: UniformitySurvey) -> list[Part]:
    """What is shown of the survey."""
    said, caption = survey_sentences(survey), survey_caption(survey)
    note = [Text(UNEQUAL_SWING, "note")] if survey.basis == "readings" else []
    return [
        Picture("survey", partial(plot_survey, survey), " ".join(said), caption),
        Sentences([*said, *survey.caveats]),
        *note,
        Table("survey", survey_table(survey), caption, survey.table),
    ]


def survey_sentences(survey: UniformitySurvey) -> list[str]:
    """Say how each pit came out of the uniformity survey."""
    return [_surveyed(row, survey) for row in survey.pits.to_dict("records")]


def _surveyed(row: dict[Hashable, Any], survey: UniformitySurvey) -> str:
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


def survey_table(survey: UniformitySurvey) -> pd.DataFrame:
    """The survey bake by bake, ready to read."""
    table, unit = survey.table, f"°{survey.unit}"
    return pd.DataFrame(
        {
            "Pit": table["pit"].map(one_line),
            "Bake": table["bake"].map(one_line),
            f"Set point, {unit}": table["set_point"].map(measured),
            "Cells within": [
                f"{n} of {m} probed"
                for n, m in zip(table["n_within"], table["n_probed"], strict=True)
            ],
            f"Lowest to highest, {unit}": [
                NO_VALUE if pd.isna(low) else f"{measured(low)} to {measured(high)}"
                for low, high in zip(table["lowest"], table["highest"], strict=True)
            ],
            f"Farthest from set point, {unit}": [
                NO_VALUE if pd.isna(worst) else true_minus(f"{worst:+.0f}")
                for worst in table["worst"]
            ],
            "Narrowest class kept": table["class_met"],
        }
    )


def survey_caption(survey: UniformitySurvey) -> str:
    """Say what the survey did, and what it does not claim."""
    name = "" if survey.tolerance_name == "own" else f" ({survey.tolerance_name})"
    what = "readings" if survey.basis == "readings" else "means over the bake"
    return (
        f"Cells within {measured(survey.tolerance)} °{survey.unit}{name} of the set "
        f"point, by their {what}; measured after the pattern of published uniformity "
        "surveys for furnaces, as a description of these bakes"
    )
