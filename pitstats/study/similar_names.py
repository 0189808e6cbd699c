"""Names that differ so little that one name may have been meant."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from datetime import date

from pitstats.study.cells import counted, listing, quote
from pitstats.study.context import Context

#: Columns that hold names, and their tables; a person may be named in several.
ALIKE_NAMES: tuple[tuple[str, tuple[str, ...]], ...] = (
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
#: Letters of other scripts, and a digit, that look like Latin letters.
_LOOKS_LIKE = str.maketrans(
    {
        "\u0430": "a",
        "\u0435": "e",
        "\u043e": "o",
        "\u0440": "p",
        "\u0441": "c",
        "\u0443": "y",
        "\u0445": "x",
        "\u0456": "i",
        "\u0455": "s",
        "\u0458": "j",
        "\u0501": "d",
        "\u043a": "k",
        "\u043c": "m",
        "\u0442": "t",
        "\u043d": "h",
        "\u0432": "b",
        "\u03bf": "o",
        "\u03b1": "a",
        "\u03c1": "p",
        "\u03bd": "v",
        "\u03b9": "i",
        "\u03ba": "k",
        "\u03c5": "u",
        "\u03c7": "x",
        "\u03c4": "t",
        "0": "o",
    }
)
#: Dashes and quote marks that phones and spreadsheets put in place of plain ones.
_MARKS = str.maketrans("\u2010\u2011\u2012\u2013\u2014\u2212\u2018\u2019", "------''")
_SPACES = re.compile(r"(?<!\d) | (?!\d)")
_MONTHS = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
_DATE = re.compile(r"(\d{1,4})[-./ ](\d{1,2})[-./ ](\d{1,4})")
_NO_YEAR = re.compile(r"(\d{1,2})[-./ ](\d{1,2})[-./]?")


def say_alike(context: Context) -> None:
    """Say which names are taken as several that look like one, and how often."""
    for column, tables in ALIKE_NAMES:
        alike: dict[object, dict[str, str]] = {}
        for table in tables:
            for name in context.names(table, column):
                for key in _keys(name, dates=column == "session"):
                    alike.setdefault(key, {}).setdefault(name, table)
        for names in alike.values():
            if len(names) > 1:
                counts = Counter(
                    name
                    for table in tables
                    for name in context.tables[table][column].dropna()
                )
                files = map(context.log.form.file, dict.fromkeys(names.values()))
                place = listing(list(files), "and")
                spelled = [
                    f"{text} ({counted(counts[name], 'row')})"
                    for name, text in _shown(names)
                ]
                shown = listing(spelled, "and")
                count = _HOW_MANY.get(len(names), str(len(names)))
                context.log.assume(
                    f"{place}, column {column}: {shown} taken as {count}; write them "
                    "alike if they are one"
                )


def say_doubtful_days(context: Context) -> None:
    """Say which dates may mean two days, or none, and which do not fit a session."""
    for text, row in context.names("bakes", "date").items():
        days = [day.isoformat() for day in dict.fromkeys(_days(text))]
        if len(days) > 1:
            doubt = f"may be {listing(days)}; write the one that was meant"
        elif not days and _is_no_day(text.strip()):
            doubt = "is no day of the calendar; write the one that was meant"
        else:
            continue
        context.log.assume(f"{quote(text)} {doubt}", "bakes", row, "date")
    dates: dict[str, set[str]] = {}
    for _, session, text in context.recorded("bakes", "session", "date"):
        if session is not None and text is not None and (day := only_day(text)):
            dates.setdefault(session, set()).add(day)
    for session, own in dates.items():
        first, last = min(own), max(own)
        # One sitting may go on past midnight.
        if (date.fromisoformat(last) - date.fromisoformat(first)).days > 1:
            message = (
                f"session {quote(session)} has bakes of {first} and of {last}, taken "
                "as one day or sitting; correct the dates or the sessions if they are "
                "not one"
            )
            context.log.assume(message, "bakes", column="date")


def _is_no_day(text: str) -> bool:
    """Whether a text has the form of a date and can be none, in any year."""
    short = _NO_YEAR.fullmatch(text)
    if short:
        return not _days(f"{short[1]}.{short[2]}.2000")  # a leap year
    return bool(_DATE.fullmatch(text))


def _keys(name: str, *, dates: bool) -> set[object]:
    """What a name looks like; for sessions also the days that it may mean."""
    return {skeleton(name), *(_days(name) if dates else ())}


def skeleton(name: str) -> str:
    r"""Name without what the eye does not see: capitals, spaces, forms of letters."""
    plain = unicodedata.normalize("NFKC", name).casefold().translate(_LOOKS_LIKE)
    return "".join(plain.split())


def alike_key(name: str) -> str:
    """What stays of a name without capitals, spaces and forms of letters and marks.

    A space between two digits stays: 1 1 is not 11.
    """
    plain = unicodedata.normalize("NFKC", name).casefold().translate(_MARKS)
    return _SPACES.sub("", " ".join(plain.split()))


def only_day(text: str) -> str:
    """The day that a text can mean only, as 2026-11-28; "" if there is none, or two.

    Examples
    --------
    >>> only_day("28.11.2026"), only_day("Nov 28, 2026"), only_day("3/4/2026")
    ('2026-11-28', '2026-11-28', '')
    """
    days = _days(text) if re.search(r"\d{4}", text) else []
    return days[0].isoformat() if len(set(days)) == 1 else ""


def _month(word: str) -> int:
    """Number of a month by its name or the first letters of it, or 0."""
    known = [k for k, name in enumerate(_MONTHS, start=1) if name.startswith(word)]
    return known[0] if len(word) > 2 and known else 0


def _days(name: str) -> list[date]:
    """Days that a text may mean: 3/4/2026 may be two."""
    words = re.split(r"[\s,./-]+", name.strip().casefold())
    months = {k: _month(word) for k, word in enumerate(words) if _month(word)}
    if len(words) == 3 and len(months) == 1 and (place := min(months)) < 2:
        del words[place]
        name = f"{words[1]}-{months[place]}-{words[0]}"
    found = _DATE.fullmatch(name.strip())
    if not found:
        return []
    a, b, c = (int(part) for part in found.groups())
    orders = [(a, b, c)] if a > 31 else [(c, b, a), (c, a, b)]
    days = []
    for year, month, day in orders:
        try:
            days.append(date(year + 2000 if year < 100 else year, month, day))
        except ValueError:
            continue
    return days


def difference(a: str, b: str) -> str:
    """Say in what two names differ that look the same."""
    if a.split() == b.split() or "".join(a.split()) == "".join(b.split()):
        return "The two differ in spaces."
    if unicodedata.normalize("NFKC", a) == unicodedata.normalize("NFKC", b):
        return "The two differ in how their letters are put together (Unicode)."
    if a.casefold() == b.casefold():
        return "The two differ in capital letters."
    if skeleton(a) == skeleton(b):
        return f"The two differ in letters that look alike: {_numbers(a)}."
    return ""


def _numbers(name: str) -> str:
    """Name with the numbers of letters beyond the plain ones."""
    return "".join(c if c.isascii() else f"<U+{ord(c):04X}>" for c in name)


def _shown(names: dict[str, str]) -> list[tuple[str, str]]:
    """Names with how they are shown: so that they can be told apart."""
    if all(name.isascii() and name.isprintable() and len(name) <= 60 for name in names):
        return [(name, f"'{name}'") for name in names]
    return [(name, quote(_numbers(name), 120)) for name in names]
