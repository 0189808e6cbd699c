"""What to mind before anybody repeats the test: fire, fumes, ash, dough."""

from __future__ import annotations

from pitstats.report.section import Answered, Callout, asks

CAUTIONS = (
    "Fire and hot steel: keep children and pets at least 3 ft (1 m) away, use long "
    "tools and gloves, never leave a burning pit.",
    "Distance: local rules differ, some ask for 10 ft (3 m) from anything that burns; "
    "ask the fire authority and use the larger figure.",
    "Carbon monoxide: burn outdoors only, never in a garage, tent, vehicle or under a "
    "porch roof; embers give it off until they are out.",
    "Ash: embers stay hot for days; use a metal bin with a tight lid, outdoors, away "
    "from anything that burns. Do not burn in high wind.",
    "Fuel: no fluid on a lit fire; no treated, painted or glued wood. Clean the grate "
    "and drip path first, old grease can flare.",
    "Raw dough: do not taste it; wash hands, tools and surfaces; keep it as cold as "
    "its label asks. Items graded raw are not served, burned ones are thrown away.",
    "Allergens: biscuits commonly hold wheat, milk and soy.",
)
CLOSING = (
    "Labels, makers' manuals, local fire code and licensed practice come before "
    "anything said here. This report gives no verdict on doneness, safety or fire code."
)


@asks("safety", "cautions", "Before you repeat this")
def safety(results: object = None) -> Answered:
    """Cautions, the same for every study."""
    lines = [("", caution) for caution in CAUTIONS]
    yield ""
    yield Callout("", [*lines, (CLOSING, "")], "caution")
