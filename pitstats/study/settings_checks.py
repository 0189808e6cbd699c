"""Read the settings of a study from whatever was typed, and check them together."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Iterator, Mapping
from dataclasses import fields
from itertools import pairwise
from typing import Any

from pitstats.study.cells import (
    AMBIGUOUS_COMMA,
    Cell,
    clean,
    listing,
    number_text,
    quote,
    read_choice,
    read_number,
    read_text,
    refused,
    visible,
)
from pitstats.study.form import setting_name
from pitstats.study.problems import ProblemLog
from pitstats.study.schema import SETTING_GROUPS, SETTING_NAMES, SETTINGS, Setting
from pitstats.study.settings import BLANK, Settings

#: Words that one would expect for a setting, beside the ones it allows.
_ALSO = {
    "temperature_unit": {
        "°f": "F",
        "fahrenheit": "F",
        "°c": "C",
        "celsius": "C",
        "centigrade": "C",
    },
    "length_unit": {"inch": "in", "inches": "in", '"': "in", "centimeters": "cm"},
}

# Tables and lists within each other, in keys of the user's own.
_DEEPEST = 20


def read_settings(mapping: Mapping[str, Any] | None, log: ProblemLog) -> Settings:
    """Read and check the keys of ``study.toml``."""
    if mapping is None:
        return BLANK
    given, extra = _sort_keys(mapping, log)
    _check_extra(extra, log)
    values: dict[str, Any] = {}
    for setting in SETTINGS:
        value = _read(setting, given.get(setting.name), log)
        if value is not None:
            values[setting.name] = value
    for name in ("title", "question", "temperature_rule"):
        values.setdefault(name, "")
    settings = Settings(**values, extra=extra)
    _check_grades(settings, log)
    return settings


def _sort_keys(
    mapping: Mapping[str, Any], log: ProblemLog
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Tell the keys of the format from the user's own."""
    given: dict[str, Any] = {}
    extra: dict[str, Any] = {}
    for key, value in _without_groups(mapping, log):
        name = setting_name(key)
        if name not in SETTING_NAMES:
            extra[str(key).strip()] = value
            _near_miss(str(key), mapping, log)
        elif name in given:
            log.problem("is stated twice. Delete one.", "study", column=name)
        else:
            given[name] = value
            if name != key:
                log.assume(f"{quote(key)} taken for {name}", "study")
    return given, extra


def _without_groups(
    mapping: Mapping[str, Any], log: ProblemLog
) -> Iterator[tuple[str, Any]]:
    """Keys and values, with those in tables of the format under their full names."""
    for key, value in mapping.items():
        group = setting_name(key)
        if group not in SETTING_GROUPS:
            yield key, value
            continue
        allowed = [setting.key for setting in SETTINGS if setting.group == group]
        if not isinstance(value, Mapping):
            message = (
                f"found {quote(value)}; it is a table: write [{group}] on a line of "
                f"its own and below it {listing(allowed, 'or')} with a value."
            )
            log.problem(message, "study", column=group)
            continue
        for inner, entry in value.items():
            if setting_name(inner) in allowed:
                yield f"{group}_{setting_name(inner)}", entry
            else:
                message = (
                    f"holds {quote(inner)}; allowed are {listing(allowed, 'and')}."
                )
                log.problem(message, "study", column=group)


def plain_settings(
    mapping: Mapping[str, Any],
) -> Iterator[tuple[str, str, str, str]]:
    """Settings that can be written plainly: name, key as it is, word as it is, plain.

    The words are alike, or empty, where only the key can.
    """
    known = {setting.name: setting for setting in SETTINGS if not setting.group}
    for key, value in mapping.items():
        name = setting_name(key)
        if name not in known:
            continue
        old = new = ""
        if known[name].kind == "choice" and isinstance(value, str):
            old, new = value, str(_choice(known[name], value).value or value)
        if (key, old) != (name, new):
            yield name, key, old, new


def _check_extra(extra: Mapping[str, Any], log: ProblemLog) -> None:
    """Refuse values of the user's own that no file could hold."""
    for key, value in extra.items():
        if not key or read_text(key).problem:
            log.problem(f"{quote(key)} is no name for a key.", "study")
        elif not _can_be_written(value):
            try:
                found = quote(value)
            except RecursionError:
                found = "lists or tables within each other without end"
            message = (
                f"found {found}; allowed are texts without unprintable "
                "characters, numbers, dates, true, false, lists and tables."
            )
            log.problem(message, "study", column=key)


def _can_be_written(value: Any, depth: int = 0) -> bool:
    if isinstance(value, str):
        return not read_text(value).problem
    if depth > _DEEPEST:
        return False
    if isinstance(value, list | tuple):
        return all(_can_be_written(entry, depth + 1) for entry in value)
    if isinstance(value, dict):
        return all(
            isinstance(key, str)
            and _can_be_written(key)
            and _can_be_written(entry, depth + 1)
            for key, entry in value.items()
        )
    return isinstance(value, bool | int | float | dt.datetime | dt.date | dt.time)


def _near_miss(key: str, mapping: Mapping[str, Any], log: ProblemLog) -> None:
    for setting in SETTINGS:
        if setting.group and setting_name(key) == setting.key:
            log.assume(
                f"{quote(key)} kept as a key of your own; put it below "
                f"[{setting.group}] if it was meant to stand there",
                "study",
            )
            return
    absent = [name for name in SETTING_NAMES if name not in mapping]
    close = difflib.get_close_matches(key.casefold(), absent, n=1, cutoff=0.8)
    if close:
        log.assume(
            f"{quote(key)} kept as a key of your own; rename it if {close[0]} was "
            "meant",
            "study",
        )


def _read(setting: Setting, value: Any, log: ProblemLog) -> Any:
    """Value of one setting; None if it is not set or cannot be read."""
    if isinstance(value, str):
        value = clean(value) or None
    if value is None or value in ([], ()):
        if setting.needed and not log.knows("study", None, setting.name):
            _lost(
                setting,
                f"is not stated, but needed: {setting.meaning}{_allowed(setting)}",
                log,
            )
        return None
    cell = _READERS[setting.kind](setting, value)
    if cell.problem:
        _lost(setting, cell.problem, log)
        return None
    # A list stands as text in a workbook, which has no other way to hold it.
    if cell.note and not isinstance(cell.value, tuple):
        log.assume(f"read as {quote(cell.value)}", "study", None, setting.name)
    return cell.value


def _lost(setting: Setting, message: str, log: ProblemLog) -> None:
    log.problem(message, "study", column=setting.name)
    log.lose("study", setting.name)


def _allowed(setting: Setting) -> str:
    return f" Allowed: {listing(setting.choices)}." if setting.choices else ""


def _text(setting: Setting, value: Any) -> Cell:
    if isinstance(value, list | tuple | dict):
        return refused(value, "is one text in quotes.")
    return read_text(visible(clean(str(value))))


def _choice(setting: Setting, value: Any) -> Cell:
    text = clean(str(value))
    also = _ALSO.get(setting.name, {}).get(text.casefold())
    if also is not None:
        return Cell(value=also, note="spelling")
    cell = read_choice(text, setting.choices)
    return Cell(problem=f"{cell.problem} Choose one.") if cell.problem else cell


def _number(setting: Setting, value: Any) -> Cell:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return refused(value, "is a number from 0 to 1.")
    cell = read_number(clean(str(value)))
    if cell.problem or cell.note == AMBIGUOUS_COMMA:
        return refused(value, "is a number between 0 and 1.")
    return _share(setting, cell)


def _share(setting: Setting, cell: Cell) -> Cell:
    number: float = cell.value
    top_is_fine = setting.name == "margin"
    if 0 < number < 1 or (top_is_fine and number == 1):
        return cell
    hint = f" Was {number_text(number / 100)} meant?" if 1 <= number < 100 else ""
    allowed = "above 0 and at most 1" if top_is_fine else "between 0 and 1"
    return Cell(
        problem=f"found {number_text(number)}; allowed is a number {allowed}.{hint}"
    )


def _names(setting: Setting, value: Any) -> Cell:
    """Read a list of names; one text may list them with commas."""
    note = ""
    if isinstance(value, str):
        value = [part for part in re.split("[,;\n]", value) if part.strip()]
        note = "a list" if len(value) > 1 else ""
    if not isinstance(value, list | tuple):
        return refused(value, "is a list of names in quotes.")
    names = tuple(visible(str(name)).strip() for name in value)
    for name in names:
        if not name or "\n" in name or read_text(name).problem:
            return Cell(
                problem=(
                    f"found {quote(name)} among the names; a name is a short text on "
                    "one line. Correct the list."
                )
            )
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        return Cell(problem=f"lists {quote(twice[0])} twice. Correct the list.")
    return Cell(value=names, note=note)


def _looks(setting: Setting, value: Any) -> Cell:
    """Read increasing whole numbers; one text or one number will do."""
    note = ""
    if isinstance(value, str):
        value = [part for part in re.split(r"[,;\s\[\]]+", value) if part]
        note = "a list" if len(value) > 1 else ""
    entries = list(value) if isinstance(value, list | tuple) else [value]
    numbers = [_whole(entry) for entry in entries]
    looks = tuple(number for number in numbers if number)
    rising = all(a < b for a, b in pairwise(looks))
    if len(looks) < len(entries) or not rising:
        return refused(
            listing([str(e) for e in entries], "and"),
            "are bakes of each pit as increasing whole numbers, such as 2, 4, 6.",
        )
    return Cell(value=looks, note=note)


def _whole(value: Any) -> int:
    """Whole number from 1 to 200, or 0."""
    if isinstance(value, bool):
        return 0
    try:
        number = float(value)
    except (TypeError, ValueError):
        return 0
    return int(number) if 1 <= number <= 200 and number == int(number) else 0


def _spread(setting: Setting, value: Any) -> Cell:
    """Read a number between the bounds of the setting."""
    cell = Cell(problem="not a number")
    if not isinstance(value, bool) and isinstance(value, int | float | str):
        cell = read_number(clean(str(value)))
    fits = not cell.problem and setting.low <= cell.value <= setting.high
    if fits and cell.value > 0 and cell.note != AMBIGUOUS_COMMA:
        return cell
    low = f"from {number_text(setting.low)}" if setting.low else "above 0"
    return refused(value, f"is a number {low} to {number_text(setting.high)}.")


def _when(setting: Setting, value: Any) -> Cell:
    """Read yes, no or a day; no is an empty text."""
    if isinstance(value, bool):
        return Cell(value="yes" if value else "")
    if isinstance(value, dt.datetime):
        return Cell(value=value.date().isoformat())
    if isinstance(value, dt.date):
        return Cell(value=value.isoformat())
    text = clean(str(value))
    if text.casefold() in ("yes", "no", "true", "false"):
        return Cell(value="yes" if text.casefold() in ("yes", "true") else "")
    try:
        return Cell(value=dt.date.fromisoformat(text[:10]).isoformat())
    except ValueError:
        return refused(value, "are yes, no or a day, such as 2026-05-01.")


_READERS = {
    "looks": _looks,
    "spread": _spread,
    "when": _when,
    "text": _text,
    "name": _text,
    "choice": _choice,
    "number": _number,
    "names": _names,
}


# --- settings against each other ----------------------------------------------------


def _check_grades(settings: Settings, log: ProblemLog) -> None:
    """Check that the cuts and the target fit the grade scale."""
    if not log.has("study", "grades"):
        log.lose("study", "raw_to", "burned_from", "target_grades")
        return
    if len(settings.grades) < 2:
        message = "lists one grade; a scale has at least two."
        log.problem(message, "study", column="grades")
        log.lose("study", "grades", "raw_to", "burned_from", "target_grades")
        return
    _read_names(settings, log)
    if not log.has("study", "raw_to", "burned_from"):
        return
    raw, burned = settings.raw_code, settings.burned_code
    if raw >= burned:
        message = (
            f"is {quote(settings.raw_to)}, but items count as burned from "
            f"{quote(settings.burned_from)} on, so some would be both. Choose a paler "
            "grade for raw_to or a darker one for burned_from."
        )
        log.problem(message, "study", column="raw_to")
        log.lose("study", "raw_to", "burned_from")
    elif log.has("study", "target_grades"):
        _check_target(settings, raw, burned, log)


def _read_names(settings: Settings, log: ProblemLog) -> None:
    """Match the names of the cuts and the target with the grade list."""
    for name in ("raw_to", "burned_from"):
        value = getattr(settings, name)
        cell = read_choice(value, settings.grades)
        if cell.problem:
            log.problem(
                f"{cell.problem} Choose one of the grades.", "study", column=name
            )
            log.lose("study", name)
        else:
            object.__setattr__(settings, name, cell.value)
    target = []
    for value in settings.target_grades:
        cell = read_choice(value, settings.grades)
        if cell.problem:
            message = (
                f"{quote(value)} is not one of the grades "
                f"({listing(settings.grades, 'and')}). State which of them count as "
                "good."
            )
            log.problem(message, "study", column="target_grades")
            log.lose("study", "target_grades")
        else:
            target.append(cell.value)
    object.__setattr__(settings, "target_grades", tuple(dict.fromkeys(target)))


def _check_target(settings: Settings, raw: int, burned: int, log: ProblemLog) -> None:
    for name in settings.target_grades:
        code = settings.grades.index(name)
        if code <= raw or code >= burned:
            what = "under-baked" if code <= raw else "burned"
            message = (
                f"{quote(name)} counts as {what} and cannot count as good too. Take it "
                "out, or change raw_to or burned_from."
            )
            log.problem(message, "study", column="target_grades")


def check_settings(settings: Settings, log: ProblemLog) -> Settings:
    """Read and check settings that were made in memory.

    Keys of the user's own that are called like a setting are a problem, because they
    could not be told apart in a file.
    """
    known = {
        entry.name: getattr(settings, entry.name)
        for entry in fields(settings)
        if entry.name != "extra"
    }
    checked = read_settings(known, log)
    for key in settings.extra:
        if key != str(key).strip() or setting_name(key) in SETTING_NAMES:
            log.problem(f"{quote(key)} is no name for a key of your own.", "study")
    _check_extra(settings.extra, log)
    object.__setattr__(checked, "extra", dict(settings.extra))
    return checked
