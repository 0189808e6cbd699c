"""Names that differ so little that one name may have been meant."""

from __future__ import annotations

from pitstats.study.cells import listing, quote
from pitstats.study.context import Context

#: Columns that hold names, and their tables; a person may be named in several.
_NAMES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("pit", ("pits",)),
    ("grate", ("grates",)),
    ("bake", ("bakes",)),
    ("session", ("bakes",)),
    ("lot", ("bakes",)),
    ("plate", ("bakes",)),
    ("wood", ("bakes",)),
    ("tender", ("bakes",)),
    ("grader", ("bakes", "items", "regrades")),
    ("probe", ("probes", "probe_checks")),
)
_HOW_MANY = {2: "two", 3: "three", 4: "four"}


def say_alike(context: Context) -> None:
    """Say which names are taken as several that differ only in capitals or spaces.

    Parameters
    ----------
    context : Context
        Its log take up one assumption for each group of such names.
    """
    for column, tables in _NAMES:
        alike: dict[str, dict[str, str]] = {}
        for table in tables:
            for name in context.names(table, column):
                alike.setdefault(_loose(name), {}).setdefault(name, table)
        for names in alike.values():
            if len(names) > 1:
                place = listing(list(dict.fromkeys(names.values())), "and")
                shown = listing([_shown(name) for name in names], "and")
                count = _HOW_MANY.get(len(names), str(len(names)))
                context.log.assume(
                    f"{place}, column {column}: {shown} taken as {count}; write them "
                    "alike if they are one"
                )


def _loose(name: str) -> str:
    return "".join(name.split()).casefold()


def _shown(name: str) -> str:
    """Quote a name with the spaces in which it may differ."""
    return f"'{name}'" if name.isprintable() and len(name) <= 60 else quote(name)
