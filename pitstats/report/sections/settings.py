"""What settings did: damper, intake and plate, within pits that varied them."""

from __future__ import annotations

import pandas as pd

from pitstats.analysis.fairness.factors import label_of
from pitstats.analysis.model.settings_effect import estimate_setting_effect
from pitstats.analysis.rates.pairs import SEPARATED
from pitstats.analysis.results import SettingEffect
from pitstats.errors import DesignError
from pitstats.report.numbers import (
    level_text,
    points,
    ranged,
    signed_points,
    signed_size,
)
from pitstats.report.section import Answered, Kept, Sentences, Text, asks
from pitstats.report.study_results import StudyResults
from pitstats.report.tables import Row
from pitstats.report.words import (
    IN_CONDITIONS,
    as_typed,
    count,
    number_word,
    one_line,
    plural,
    read_with,
    separated,
)

_COLUMNS = ("damper_open", "intake_open", "plate")


@asks("settings", "settings", "What did settings do?")
def settings(results: StudyResults) -> Answered:
    """Effects of settings within pits; a setting that never varied has none."""
    bakes = results.study.bakes
    known = [name for name in _COLUMNS if bakes[name].notna().any()]
    if not known:
        raise DesignError("No damper, intake or plate is recorded.")
    level = results.conf_level
    effects = {
        name: estimate_setting_effect(results.study, name, conf_level=level)
        for name in known
        if bakes[name].nunique() > 1
    }
    yield _in_short(list(effects.values()))
    yield Text(read_with(results.findings, "settings"), "note")
    for name in known:
        effect = effects.get(name)
        if effect is None:
            label, same = label_of(name).capitalize(), bakes[name].dropna().iloc[0]
            each = f"was {as_typed(same)} in every bake of every pit"
            yield Text(f"{label} {each}, so its effect is unknown.")
            continue
        steps = _known(effect).to_dict("records")
        yield Sentences([*(_step(row, effect) for row in steps), *effect.caveats])
        if steps:
            yield Kept(f"setting_{name}", effect.table)


def _in_short(effects: list[SettingEffect]) -> str:
    steps = sum(len(_known(effect)) for effect in effects)
    firm = sum(len(separated(_known(effect))) for effect in effects)
    if not steps:
        return "No setting was varied within a pit: what settings do is unknown."
    if steps == 1:
        shows = "shows an" if firm else "shows no"
        return f"The one estimate of what a setting did {shows} effect."
    of_two = {0: "neither", 2: "both"} if steps == 2 else {steps: "all"}
    shown = of_two.get(firm, number_word(firm))
    return (
        f"Of {count(steps, 'estimate')} of what settings did, {shown} "
        f"{plural(firm or 1, 'shows', 'show')} an effect."
    )


def _known(effect: SettingEffect) -> pd.DataFrame:
    return effect.table.dropna(subset="estimate")


def _step(row: Row, effect: SettingEffect) -> str:
    """What one step did within a pit, or within all pits that varied it."""
    where = "all pits that varied it" if row["pit"] == "all" else one_line(row["pit"])
    first, last = as_typed(row["from_value"]), as_typed(row["to_value"])
    adjusted = " with grate temperature allowed for" if row["adjusted_for"] else ""
    ends = ranged(signed_points, row["conf_low"], row["conf_high"])
    change = (
        f"{signed_size(row['estimate'])} ({level_text(effect.conf_level)} interval "
        f"{ends}; {row['n_bakes_from']} against {row['n_bakes_to']} bakes)"
    )
    name, verdict = one_line(label_of(effect.column)), str(row["verdict"])
    if verdict in SEPARATED:
        looks = len(_known(effect))
        several = f" One of {looks} estimates of {name}, not allowed for." * (looks > 1)
        small = ", inside the stated margin" * (verdict != "differs")
        more = "more" if row["estimate"] > 0 else "less"
        return (
            f"In {where}, bakes with {name} at {last} burned {more} than bakes at "
            f"{first} {IN_CONDITIONS}{adjusted}{small}: {change}.{several}"
        )
    if verdict == "no difference beyond the margin":
        return (
            f"In {where}, {name} from {first} to {last}{adjusted} made no difference "
            f"larger than the stated margin, {IN_CONDITIONS}: {change}."
        )
    if verdict == "cannot tell":
        largest = points(max(abs(row["conf_low"]), abs(row["conf_high"])))
        return (
            f"In {where}, this test cannot tell what {name} from {first} to {last} "
            f"does{adjusted}: {change}; larger than {largest} is excluded."
        )
    return f"In {where}, {name} from {first} to {last}{adjusted}: {change}; {verdict}."
