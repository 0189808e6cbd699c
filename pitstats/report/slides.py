"""The first page's figures as slides: one figure, one sentence, its unit, its study."""

from __future__ import annotations

import warnings
from pathlib import Path

from pitstats.figures.slides import slide_png
from pitstats.report.made_files import refuse_existing
from pitstats.report.sections import answer, maps
from pitstats.report.study_results import StudyResults
from pitstats.report.words import bakes_behind, pits_of
from pitstats.study.atomic import write_file
from pitstats.study.study import Study
from pitstats.study.switch import refuse_below_file

_AS_COUNTED = "Burned items of each cell over all kept bakes, as counted, not smoothed."


def write_slides(
    study: Study, name: str, out: str | Path, *, overwrite: bool = False
) -> list[Path]:
    """Write the first page's figures as PNG of 1920 x 1080 pixels, called by a name."""
    refuse_below_file(Path(out) / name)
    results = StudyResults(study)
    pits = pits_of(results.comparison.table)
    unit = f"Unit of replication: the bake; {bakes_behind(results.comparison, pits)}."
    shown = [
        (study.settings.question, answer.answer(results), answer.picture(results)),
        ("Where did items burn?", _AS_COUNTED, maps.picture(results)),
    ]
    made = {}
    for i, (title, said, picture) in enumerate(shown, 1):
        if picture is None:
            continue
        path = Path(out) / f"{name}-slide-{i}.png"
        if not overwrite:
            refuse_existing(path)
        with warnings.catch_warnings():
            # A letter that the font lacks shows as a box, as on the page.
            warnings.filterwarnings("ignore", "Glyph")
            made[path] = slide_png(
                picture.draw(),
                title=title,
                sentence=said,
                unit=unit,
                study=study.settings.title,
            )
    for path, content in made.items():
        write_file(path, content, overwrite=overwrite)
    return list(made)
