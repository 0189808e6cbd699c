"""The sentences that travel with a result wherever it is shown."""

from __future__ import annotations

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
    "between raw rates can come from the places. The comparison on a common layout "
    "corrects for that."
)

NO_KEPT_ITEMS = "Nothing was graded in {pit}, so no rate is given for it."

BORROWED_SPREAD = (
    "{pit} was baked once: its bake-to-bake spread is borrowed from the other pits."
)

COUNTS_ONLY = (
    "{n} of {total} bakes were kept as totals only; they carry no places, faces or "
    "reasons for missing items."
)

MISSING = (
    "{n} items have no grade. They are left out of the rates; the table of missing "
    "items shows the range each rate could have had."
)

UNCOUNTED = (
    "{n} of {total} kept bakes carry no grades from which this can be counted and "
    "are left out here."
)

EXCLUDED = "{n} bakes were excluded by the record, each with its reason in the list."


def borrowed_spread(n_bakes: dict[str, int]) -> tuple[str, ...]:
    """Caveats for pits with one bake while at least one other pit has more."""
    if max(n_bakes.values(), default=0) < 2:
        return ()
    return tuple(
        BORROWED_SPREAD.format(pit=pit) for pit, count in n_bakes.items() if count == 1
    )
