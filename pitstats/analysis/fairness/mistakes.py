"""The usual mistakes, and for each the detector or why no record can show it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from pitstats.analysis.fairness.finding import Finding, Record, Topic
from pitstats.analysis.heat.probe_checks import is_lid
from pitstats.study.cells import counted


@dataclass(frozen=True, kw_only=True)
class Mistake:
    """A usual mistake in comparing pits.

    Attributes
    ----------
    name : str
        The mistake in words.
    detectors : tuple of str
        Identifiers of the findings that show it; empty where no record can.
    prevented : str
        What makes it impossible here, or harmless, whatever the record says.
    question : str
        What to ask instead, or besides; empty where the record says it all.
    """

    name: str
    detectors: tuple[str, ...] = ()
    prevented: str = ""
    question: str = ""


#: In the order in which a cook meets them.
MISTAKES: tuple[Mistake, ...] = (
    Mistake(
        name="one bake of each pit, items counted as if they were bakes",
        detectors=("one_bake_each", "one_bake_some"),
        prevented="Verdicts are withheld with one bake each.",
    ),
    Mistake(
        name="items of one bake taken as independent",
        detectors=("items_share_fire",),
        prevented="Every interval takes the bake as its unit; the count that does not "
        "is shown beside it as the usual mistake.",
    ),
    Mistake(
        name="settings changed together with the pit",
        detectors=(
            "setting_damper_open",
            "setting_intake_open",
            "setting_plate",
            "setting_wood",
            "setting_minutes",
            "setting_target_temp",
            "setting_mixed",
            "tender_with_pit",
        ),
    ),
    Mistake(
        name="gauges that read differently",
        detectors=(
            "gauge_offset",
            "gauge_unchecked",
            "ask_gauges",
            "grate_temp_differs",
        ),
    ),
    Mistake(
        name="items at different places in different pits",
        detectors=("layouts_differ", "totals_only"),
    ),
    Mistake(
        name="counts of unequal numbers compared as counts",
        detectors=("unequal_items", "unequal_bakes"),
        prevented="Only shares are compared.",
    ),
    Mistake(
        name="only some cells, or only some faces, written down",
        detectors=("cells_left_out", "items_missing", "face_not_graded"),
    ),
    Mistake(
        name="small counts read as a difference",
        detectors=("too_few_to_tell",),
        prevented="The answer follows the interval, not the two shares.",
    ),
    Mistake(
        name="order of the bakes tied to the pit",
        detectors=(
            "order_fixed",
            "order_unbalanced",
            "order_unknown",
            "session_with_pit",
            "sessions_not_shared",
            "weather_with_pit",
            "together_with_pit",
        ),
    ),
    Mistake(
        name="a lot of dough for each pit",
        detectors=("lot_with_pit", "lot_unbalanced"),
    ),
    Mistake(
        name="grading by somebody who knew the pit",
        detectors=("not_blind", "blind_unknown", "grader_with_pit", "not_regraded"),
    ),
    Mistake(
        name="what counts as burned decided after looking",
        detectors=("plan_changed",),
        prevented="Without a frozen plan a record shows where the cut is, not when it "
        "was made; the results for every other cut are shown beside the chosen one.",
        question="Was it settled before grading that an item counts as burned from "
        "'{burned_from}' on?",
    ),
    Mistake(
        name="loading time overlooked",
        detectors=("load_with_place", "load_with_grade"),
    ),
    Mistake(
        name="many pits, the best held against the worst",
        detectors=("many_pits",),
        prevented="With more than two pits the verdicts allow for all pairs.",
    ),
    Mistake(
        name="none or all burned in one pit",
        detectors=("none_or_all_burned",),
        prevented="Rates come from a posterior that stays finite, with a penalized "
        "estimate beside it; no infinite odds ratio is shown.",
    ),
    Mistake(
        name="grade numbers averaged as if they were measured",
        prevented="No average of grades is worked out anywhere; shares of grades are "
        "shown, and a model for ordered grades is used.",
        question="Is an average of grade numbers quoted anywhere else, such as '2.7 of "
        "4'?",
    ),
    Mistake(
        name="items moved, or the lid opened, during the bake",
        detectors=("rotated", "openings_differ", "opened"),
    ),
    Mistake(
        name="a hot spot seen in a smoothed picture of few items",
        detectors=("map_thin",),
        prevented="Maps show plain counts, which stand beside every smoothed surface, "
        "and cells without items stay empty.",
        question="Was a spot named in the write-up chosen before these bakes, or "
        "because it is dark in this map?",
    ),
    Mistake(
        name="bakes dropped without a word",
        detectors=("bakes_excluded", "bakes_not_done"),
        prevented="An excluded bake needs a reason and is always listed.",
        question="Is every bake that was lit for this test in the record, spoiled ones "
        "too?",
    ),
    Mistake(
        name="looked after every bake, stopped when it pleased",
        detectors=("looks_undeclared", "looks_planned", "ask_looks"),
        prevented="With several looks on record the interval allows for them.",
        question="After how many bakes of each pit were the results looked at?",
    ),
    Mistake(
        name="Fahrenheit and Celsius mixed",
        prevented="A study without a unit, or with a temperature that makes no sense "
        "in it, is refused; differences are converted without the 32.",
        question="Were all thermometers read in °{unit}?",
    ),
)


# What decides how the results are counted, compared and called.
_DECIDING = {
    *("grades", "raw_to", "burned_from", "target_grades", "face", "margin"),
    *("conf_level", "temperature_rule", "looks_planned"),
    *("earlier_sd", "earlier_factor", "earlier_declared"),
}


def find_changed_plan(record: Record) -> Iterator[Finding]:
    """Settings that were changed after the plan was frozen."""
    changed = record.changed_settings
    if not changed:
        return
    told = "; ".join(
        f"{name} was {was} and is {now}" for name, (was, now) in changed.items()
    )
    yield Finding(
        "plan_changed",
        "weakens" if _DECIDING & set(changed) else "note",
        f"{counted(len(changed), 'setting')} changed after the plan was frozen: "
        f"{told}.",
        "Give the answer by the settings of the plan beside this one.",
        why="Whoever moves the cut or the margin after looking can turn the answer.",
        wording="Name what was changed, when, and why.",
        touches=("difference", "grades", "rates"),
        short="settings changed after the plan was frozen",
    )


def find_questions(record: Record) -> Iterator[Finding]:
    """Questions that no record can answer, where they arise."""
    settings, items = record.study.settings, record.items
    faces = ["grade_top", "grade_bottom", "grade_side"]
    graded = bool(len(items)) and bool(items[faces].notna().any(axis=None))
    # A frozen plan answers: the cut was settled so, or it was changed.
    if record.changed_settings is None and (record.is_plan or graded):
        stated = record.study.form.stated("burned_from")
        yield _question(
            "ask_cut",
            f"Is it settled that an item counts as burned from "
            f"'{settings.burned_from}' on, before anybody sees one?"
            if record.is_plan
            else asked("what counts").format(burned_from=settings.burned_from),
            f"Freeze {stated}, before the first bake."
            if record.is_plan
            else "Say so in the write-up; the results for other cuts stand beside it.",
            "Whoever moves the cut after looking can turn the answer.",
            ("grades", "rates"),
        )
    if record.is_plan:
        return
    if graded:
        yield _question(
            "ask_average",
            asked("grade numbers"),
            "Quote the shares of grades instead.",
            "From raw to light is not the same step as from dark to burned.",
            ("grades",),
        )
    if items["row"].notna().any():
        yield _question(
            "ask_spot",
            asked("a hot spot"),
            "Name it as seen in these bakes, to be looked for in the next ones.",
            "Some cell is always the darkest.",
            ("map",),
        )
    if len(record.bakes):
        yield _question(
            "ask_all_bakes",
            asked("bakes dropped"),
            "Add them, with status excluded and the reason.",
            "A bake that is not on record cannot be missed.",
            ("difference", "rates"),
        )
    if settings.temperature_unit and _has_temperatures(record):
        yield _question(
            "ask_units",
            asked("Fahrenheit").format(unit=settings.temperature_unit),
            "Convert before entering.",
            "A thermometer in the other unit shows as a pit that runs wild.",
            ("temperature",),
        )


def asked(start: str) -> str:
    """Question of the mistake whose name begins so."""
    return next(m.question for m in MISTAKES if m.name.startswith(start))


def _question(
    name: str, message: str, fix: str, why: str, touches: tuple[Topic, ...]
) -> Finding:
    return Finding(name, "note", message, fix, why=why, touches=touches)


def _has_temperatures(record: Record) -> bool:
    columns = ["target_temp", "indicated_temp", "grate_temp"]
    return bool(record.bakes[columns].notna().any(axis=None)) or bool(
        len(record.study.probes)
    )


def _probed_at_the_grate(record: Record) -> bool:
    """Whether every pit has a bake with readings of a probe at the grate."""
    probes = record.study.probes.dropna(subset=["temp", "probe"])
    at_grate = probes.loc[~is_lid(probes["probe"]), "bake"]
    probed = record.bakes["bake"].isin(at_grate)
    return bool(probed.groupby(record.bakes["pit"]).any().all())


def find_unrecorded(record: Record) -> Iterator[Finding]:
    """One note that names what was not recorded and so cannot be checked."""
    lacking = [
        label
        for label in record.design.factors.unrecorded
        # These two have a finding of their own.
        if label not in ("session", "order within the session")
    ]
    if _probed_at_the_grate(record):
        lacking = [label for label in lacking if label != "grate temperature"]
    items = record.items
    if len(items) and items["load_rank"].isna().all():
        lacking.append("order of loading")
    if not record.is_plan and record.bakes["openings"].isna().all():
        lacking.append("openings of the lid")
    if not record.is_plan and record.bakes["rotated"].isna().all():
        lacking.append("whether items were moved")
    if not lacking or record.n_pits < 2:
        return
    what = ", ".join(lacking)
    yield Finding(
        "not_recorded",
        "note",
        f"Not stated in the plan, so not checked against the pits: {what}."
        if record.is_plan
        else f"Not recorded, so not checked against the pits: {what}.",
        "Write it into the plan, alike for all pits or in turn over them."
        if record.is_plan
        else "Fill in what somebody still knows; an empty cell is not a 'no'.",
        why="What is not written down can be the whole difference.",
        wording="State it among the limits.",
        touches=("difference",),
        short=f"{counted(len(lacking), 'condition')} not recorded",
    )
