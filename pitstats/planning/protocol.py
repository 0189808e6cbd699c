"""What the one-page protocol says: the rules of a fair test and the safety cautions.

The cautions advise and never rule. Distances, temperatures and times are those of
public notices; where they differ from what is in force at the place, the latter holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pitstats.planning.looks import look_in_words
from pitstats.stats.stopping import stopping_levels
from pitstats.study.settings import Settings


@dataclass(frozen=True)
class Caution:
    """One safety caution: a word to find it by, and what to do."""

    about: str
    text: str


CAUTIONS = (
    Caution(
        "Distance",
        "Fire codes as cities quote them ask for 10 ft (3 m) between an open-flame "
        "cooker and anything that can burn, and forbid it on balconies that can burn; "
        "other notices ask for 3 ft (1 m) from siding, rails and eaves. Ask the fire "
        "authority of the place and keep the larger distance.",
    ),
    Caution(
        "People",
        "Children and pets stay 3 ft (1 m) away or more. Somebody stays with the fire "
        "all the time. Use long tools and gloves: firebox, stack and lid handle burn "
        "skin.",
    ),
    Caution(
        "Carbon monoxide",
        "Burn outdoors only: in no garage, tent, vehicle or porch. An open door or a "
        "fan is not enough, and embers give off the gas until they are fully out.",
    ),
    Caution(
        "Ash",
        "Embers stay hot for days. Wet them or wait; ash goes into a metal bin with a "
        "tight metal lid that stands outdoors, away from anything that burns. Never "
        "use paper, plastic or cardboard. Light no fire in high wind. Keep an "
        "extinguisher within reach.",
    ),
    Caution(
        "Fuel",
        "No gasoline or lighter fluid on a lit fire. No treated, painted or glued "
        "wood.",
    ),
    Caution(
        "Grease",
        "Old grease can flare up: clean grate and drip path before the first fire.",
    ),
    Caution(
        "Raw dough",
        "Flour is raw, and dough can carry E. coli or Salmonella. Nobody tastes it; "
        "wash hands, tools and tables; keep it as cold as the label says. Items that "
        "are raw or pasty inside are not served.",
    ),
    Caution(
        "Test food",
        "Burned items, and items from a greasy grate, are thrown away. Wheat, milk and "
        "soy are common allergens.",
    ),
    Caution(
        "Meat",
        "If meat is cooked in the same session, use a thermometer; USDA minimums: "
        "poultry 165 °F (74 °C), ground meat 160 °F (71 °C), fish and whole cuts of "
        "beef, pork, veal and lamb 145 °F (63 °C), whole cuts with 3 minutes' rest. "
        "Raw meat never lies above or beside test dough.",
    ),
)

DEFERENCE = (
    "Always defer to the label, the maker's manual, the local fire code and licensed "
    "practice: where they say something else, they come first. This sheet gives no "
    "verdict on safety, doneness or the fire code, and no warranty about a pit."
)

TEMPERATURE_RULES = {
    "same indicated": (
        "Every pit is held at the same reading of its own gauge. This compares pits "
        "together with their gauges."
    ),
    "same grate": (
        "Every pit is held at the same temperature at the grate, read by the same kind "
        "of probe at the same place. This compares pits without their gauges."
    ),
    "maker's setting": "Every pit is run as its maker advises.",
    "tuned": (
        "Every pit was tuned beforehand, each for the same length of time; nothing is "
        "changed now."
    ),
}


def fairness_rules(settings: Settings) -> list[str]:
    """Say the rules of the test: those chosen in the plan, then those of every test."""
    stated = settings.extra.get("layout_rules", [])
    chosen = [str(rule) for rule in stated] if isinstance(stated, list) else []
    stop = (
        settings.stop_rule or "______________________ (write it before the first fire)"
    )
    return [
        *chosen,
        f"Heat: {TEMPERATURE_RULES.get(settings.temperature_rule, '')}",
        f"Stop rule, the same for every bake: {stop}",
        burned_rule(settings),
        _margin_rule(settings),
        "Same wood, split size and moisture; the same person tends, or tenders change "
        "places in turn. Load at the same point of the fire's cycle, from the second "
        "bake on after the pit is steady again.",
        "Same time with the lid open for loading. No peeking and no turning of items; "
        "write down every opening.",
        "Lift all items off at once in loading order, onto a cool rack; grade after "
        "the same cooling time. Reject torn dough before loading, not after.",
        "The grader does not see pits, grids or key. One light, one background, all "
        "items of a session in one sitting. Grades and times may be tapped into "
        "grade.html on a phone instead of the sheets.",
        "A fallen, stuck, torn or lost item is recorded as missing with its reason, "
        "never as pale.",
        "Whether a spoiled bake is excluded is decided and written down before its "
        "items are graded. Every bake is reported.",
    ]


@dataclass(frozen=True)
class LookStep:
    """One planned look: after how many bakes of each pit, and what to do then."""

    bakes: int
    text: str


def look_steps(
    settings: Settings, pits: int, items: Sequence[int], *, sessions: bool = False
) -> list[LookStep]:
    """What to do at each planned look; empty where none or a single one is planned.

    ``sessions`` says whether two sessions or more hold bakes of several pits.
    """
    looks = settings.looks_planned
    if len(looks) < 2:
        return []
    sizes = tuple(items) if len(items) == pits else max(items)
    found = stopping_levels(
        looks,
        min(max(pits, 2), 6),
        sizes,
        settings.conf_level,
        sessions=sessions,
    )
    return [
        LookStep(look, f"{look_in_words(look, float(level))} {_then(look, looks[-1])}")
        for look, level in zip(looks, found.levels, strict=True)
    ]


def _then(look: int, last: int) -> str:
    if look == last:
        return "The test ends here, whatever it says."
    return "If so the test may stop; if not, bake on. Write the look down either way."


def burned_rule(settings: Settings) -> str:
    """Say what counts as burned."""
    faces = {
        "worst": "the darkest graded face decides",
        "top": "the top decides",
        "bottom": "the bottom decides",
        "side": "the side toward the fire decides",
    }
    start = settings.grades.index(settings.burned_from)
    burned = " or ".join(f"'{grade}'" for grade in settings.grades[start:])
    return f"Burned means graded {burned}; {faces[settings.face]}. Fixed before baking."


def _margin_rule(settings: Settings) -> str:
    if settings.margin is None:
        return (
            "Smallest difference in burn rate that would change advice: ______ points "
            "(write it before the first fire)."
        )
    return (
        f"Smallest difference in burn rate that would change advice: "
        f"{settings.margin * 100:g} points."
    )
