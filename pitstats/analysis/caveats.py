"""The sentences that travel with a result wherever it is shown."""

from __future__ import annotations

import pandas as pd

from pitstats.stats.weighted_draws import FEWEST_EFFECTIVE

ONE_BAKE_EACH = (
    "Every pit was baked once. A single bake cannot show how much bakes of the same "
    "pit differ, so the width of these intervals is set by assumption, not by these "
    "data; no verdict and no ranking is given."
)

ALL_OR_NONE = (
    "Bakes came out nearly all or none burned. The spread between bakes is then "
    "limited by the largest spread the method allows (SD 2.5 on the logit scale), "
    "and that limit decides the intervals."
)

LAYOUTS_DIFFER = (
    "The items did not lie at the same places in all pits, so part of a difference "
    "between raw rates can come from the places. A comparison on a common layout, "
    "where there is one, corrects for that."
)

NO_KEPT_ITEMS = "Nothing was graded in {pit}, so no rate is given for it."

BORROWED_SPREAD = (
    "{pit} was baked once: its bake-to-bake spread is borrowed from the other pits."
)

ONE_BESIDE_FEW = (
    "A pit that was baked once gets a verdict only beside a pit with three or more "
    "bakes. None is given for {pairs}, whatever their interval."
)

FEW_BESIDE_MANY = (
    "In {pairs} one pit was baked at least {times} times as often as the other. Should "
    "the pit with the few bakes be by far the moodier one, up to {percent} in 100 "
    "equal pairs would be called different (5 otherwise). More bakes of {few} mend "
    "that."
)

COUNTS_ONLY = (
    "Kept as totals only, without places, faces or reasons for missing items: {n} of "
    "{total} bakes."
)

MISSING = (
    "Items without a grade, left out of the rates: {n}. The report shows the range "
    "each rate could have had."
)

UNCOUNTED = (
    "Left out here, for want of grades from which this can be counted: {n} of {total} "
    "kept bakes."
)

EXCLUDED = "Bakes excluded by the record: {n}, each with its reason in the list."

PARTIAL_LAYOUT = (
    "The pits share only part of the grate '{grate}': the comparison is about the "
    "stretch from {low:.2f} to {high:.2f} of the way from the firebox wall to the far "
    "wall, not about whole grates."
)

GRATES_LEFT_OUT = (
    "Not every pit used the same grates; the comparison leaves out {grates}."
)

CURVES_WITHOUT = "The curves leave out {grates}: not every pit used the same grates."

NO_CELLS_IN_THIRD = (
    "{pit} had no graded items in the {third} third of the layout; its rate there "
    "rests on the model alone."
)

BARE_PLACES = (
    "{pit} had no graded items at {n} of the {total} places of the layout; the model "
    "fills them in from its other places."
)

WITHOUT_COLUMN = (
    "Graded items with nothing recorded in {column}, left out of the model: {n}."
)

BAKES_LOST = (
    "Bakes of which no item has everything that the formula uses are left out: {bakes}."
)

PITS_LOST = "{pits}: no graded item can enter the model, so no rate is given."

PIT_ADDED = "The formula named no pit; every pit was given a level of its own."

NOT_VARIED = (
    "{column} has the same value throughout, so these data say nothing about its "
    "effect; no estimate is given."
)

TIED_TO_PIT = (
    "{column} never varied within a pit, so its effect cannot be told from the pits "
    "themselves; it is left out and the rates are of the pits as set up. Bake at least "
    "one pit at another value to separate them."
)

TIED_TO_OTHERS = (
    "{column} cannot be told from {partners}: they always moved together. It is left "
    "out, and what is estimated for {partners} holds for all of them together."
)

PRIOR_ONLY = (
    "The items lay so that {column} cannot be told from {partners}; what is given for "
    "it comes from the prior, and the intervals of the rates allow for that."
)

SATURATED = (
    "The formula has as many settings of bakes as there are bakes, so the spread "
    "between bakes is set by assumption, not by these data."
)

LITTLE_MEASURED = (
    "Coverage little measured: the intervals of {what} follow from the same model. "
    "Curves and a setting of two steps were put to the test for two pits in two "
    "simulated settings each (200 studies; they held within simulation error), other "
    "settings were not."
)

SMOOTH_GUIDE = (
    "A curve along the grate is a smooth guide. Between the places that had items, and "
    "wherever it is carried on beyond them, it rests on the shape that was assumed."
)

TEMPERATURE_ADJUSTED = (
    "The rates are adjusted for {column}. If the pit itself makes that temperature, "
    "the adjustment takes away part of what the pit does; if it was the fire of the "
    "day, the adjustment takes away chance. Read the answer with and without it."
)

SESSIONS_IN = (
    "Sessions are in the model as an effect of their own: {n} of them hold bakes of "
    "two or more pits."
)

SESSIONS_NOT_BORROWED = (
    "Nothing was borrowed from earlier tests: an earlier spread serves bakes on days "
    "of their own, and here sessions hold bakes of several pits."
)

SESSIONS_OUT = (
    "No session effect is in the model, because fewer than two sessions hold bakes of "
    "two or more pits; what a day does is part of the spread between bakes."
)

FEW_DRAWS = (
    "The numerical accuracy is low here (about {n:.0f} effective draws): interval ends "
    "may be off by a few points."
)

SEVERAL_FACES = (
    "Several faces of an item were graded. Grades and burned are those of the face "
    "that decides; under-baked goes by the palest face, good by all recorded faces, so "
    "these two do not add up with the grades."
)

NO_GRADES = "{pit} has no graded items, so no shares are given for it."

SESSIONS_IN_GRADES = (
    "Sessions are in the model of the grades as an effect of their own."
)

BURNED_DIFFERS = (
    "The share burned differs from the answer of that cut alone, which assumes less, "
    "by more than 5 points: {reason}."
)

BURNED_VERDICT_DIFFERS = (
    "On the share burned, the model of all grades and the answer of that cut alone "
    "come to different verdicts for {pairs}; the cut alone assumes less."
)

GAP_OTHER_ITEMS = "the cut alone also counts items of which only burned or not is known"

GAP_SESSIONS = "sessions are in the model of the grades"

GAP_SHAPE = "with few bakes, items of the other grades weigh in here"

SHAPE_DIFFERS = (
    "At one cut at least, the model of all grades and the answer of that cut alone are "
    "{points} points apart. Where they disagree, the cut alone assumes less."
)

ML_FAILED = "Maximum likelihood: {reason}"

AS_SET_UP = (
    "{pit}: {column} was {value} in every bake, so nothing is known about its effect "
    "there; speak of {pit} as set up."
)

SETTING_UNRECORDED = (
    "{pit}: no bake with graded items has {column} and all else that the model needs "
    "recorded, so nothing is known about its effect there."
)

SETTING_WITH_SESSION = (
    "{pit}: {column} changed only from one session to another, so its effect and that "
    "of the day cannot be told apart. Try both settings within one session."
)

ONE_BAKE_A_SETTING = (
    "{pit}: {column} was {value} in one bake only, so that day's fire weighs heavily. "
    "Its effect gets a verdict only where three bakes or more were made otherwise."
)

SETTING_LINE = (
    "{pit}: {column} took more than two values; the effect is that of a straight "
    "line on the logit scale, from the lowest value to the highest."
)

COMMON_STEP = (
    "Not every pit tried the same values of {column}; the common effect puts them on "
    "one step, which some pits did not take in full."
)

WITH_AND_WITHOUT = (
    "Adjusted for grate temperature, the effect is what {column} does other than by "
    "making the grate hotter or cooler; without, it is all that {column} does. If the "
    "fire of the day made the temperature, the adjusted row is the fairer one."
)

IN_THIS_BAKE = (
    "{pit} was baked once: how its burning falls from near to far is known for this "
    "bake only."
)

THIRD_WITHHELD = "{pit} had no graded items in its {third} third, so no rate is given."

THIRD_PARTLY_USED = (
    "{pit} used only part of its {third} third; that rate is over the part used."
)

NO_PLACES = (
    "Bakes kept as totals only, which carry no places, left out here ({n}): {bakes}."
)

NO_PLACED_ITEMS = "{pit} has no graded items with a place, so no rate is given for it."

MISSING_LEFT_OUT = "Items without a grade, left out: {n}."

ITEMS_UNPLACED = "Graded items without a place on the grate, left out here: {n}."

LEVELS_UNKNOWN = (
    "{pit}: the levels of its grates are not recorded, so upper and lower are not "
    "compared. Fill in level in the table grates."
)

FACES_TOGETHER = (
    "Top and bottom of one item are counted as if they burned independently within a "
    "bake; the interval of their difference is then, if anything, wide."
)


def few_draws(ess: float) -> tuple[str, ...]:
    """Caveat for a posterior of fewer effective draws than its ends need."""
    return (FEW_DRAWS.format(n=ess),) if ess < FEWEST_EFFECTIVE else ()


def borrowed_spread(n_bakes: pd.Series) -> tuple[str, ...]:
    """Caveats for pits with one bake while at least one other pit has more."""
    if not (n_bakes > 1).any():
        return ()
    return tuple(
        BORROWED_SPREAD.format(pit=pit) for pit, count in n_bakes.items() if count == 1
    )
