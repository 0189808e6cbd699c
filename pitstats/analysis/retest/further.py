"""What it would take to tell whether a change helped: more bakes of both sides."""

from __future__ import annotations

from dataclasses import replace

from pitstats.analysis.next_steps.suggest import NextStep, suggest_next
from pitstats.analysis.rates.looks import look_of
from pitstats.analysis.rates.pairs import judged
from pitstats.analysis.rates.two_layouts import BothWays
from pitstats.analysis.retest.sides import AFTER, BEFORE, Sides, side_name
from pitstats.study.study import Study


def further_bakes(sides: Sides, both: BothWays) -> NextStep:
    """Continue the two sides of the first changed pit; ``both`` compares all sides.

    Its own interval decides, as in the re-test. The looks on record count bakes of
    pits, not of sides, so the continuation is held to one look now and one then.
    """
    study = _without_looks(sides.study)
    names = [side_name(sides.pits[0], side) for side in (AFTER, BEFORE)]
    leading = both.leading
    own = leading.table["pit_a"].isin(names) & leading.table["pit_b"].isin(names)
    pair = leading.table[own]
    pair = pair.assign(
        **{f"simultaneous_{end}": pair[f"conf_{end}"] for end in ("low", "high")}
    )
    n_bakes = leading.n_bakes[names]
    alone = replace(
        leading,
        table=judged(pair, margin=leading.margin, n_bakes=n_bakes),
        rates=leading.rates[leading.rates["pit"].isin(names)],
        n_bakes=n_bakes,
        look=look_of(study),
    )
    led = replace(both, as_baked=alone, common=None, leads="as baked")
    return suggest_next(study, both=led)


def _without_looks(study: Study) -> Study:
    settings = replace(study.settings, looks_planned=(), looks_taken=())
    return replace(study, settings=settings)
