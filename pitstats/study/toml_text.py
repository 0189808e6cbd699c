"""Settings as TOML text, with the meaning of each key beside it."""

from __future__ import annotations

import textwrap
import tomllib
from dataclasses import fields
from typing import Any

from pitstats.study.csv_text import decode
from pitstats.study.problems import ProblemLog
from pitstats.study.raw import UnreadableError
from pitstats.study.schema import SETTING_GROUPS, SETTINGS, Setting
from pitstats.study.settings import Settings

_UNITS = ("temperature_unit", "length_unit")
_EXAMPLES: dict[str, Any] = {"number": 0.15, "spread": 0.6, "looks": [2, 4, 6]}


def read_toml(data: bytes, log: ProblemLog) -> dict[str, Any]:
    """Read ``study.toml``."""
    text, encoding = decode(data)
    if encoding:
        log.assume(f"text encoding {encoding} assumed", "study")
    log.form.note_toml(text)
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise UnreadableError(
            f"cannot be read: {error}. Texts stand in quotes, lists in "
            'brackets: title = "Two pits", grades = ["raw", "golden", "burned"].'
        ) from error


def literal(value: Any) -> str:
    """Write one value as TOML on one line.

    Examples
    --------
    >>> literal(["raw", "burned"])
    '["raw", "burned"]'
    """
    import tomlkit

    text: str = tomlkit.item(_inline(value)).as_string()
    return text


def _inline(value: Any) -> Any:
    """Put tables within braces, so that any value fits on one line."""
    import tomlkit

    if isinstance(value, dict):
        table = tomlkit.inline_table()
        for key, entry in value.items():
            table.append(tomlkit.key(str(key)), _inline(entry))
        return table
    if isinstance(value, list | tuple):
        array = tomlkit.array()
        for entry in value:
            array.append(_inline(entry))
        return array
    return value


def write_toml(settings: Settings, *, blank: bool = False) -> str:
    """Write settings with a comment on each key; blank ones are to be filled in."""
    import tomlkit

    parts = []
    for setting in SETTINGS:
        value = getattr(settings, setting.name)
        stated = setting.name in _UNITS if blank else value not in (None, "", ())
        if not setting.group:
            parts.append(_entry(setting, value, stated=stated or setting.needed))
    if settings.extra:
        lines = [
            f"{tomlkit.key(key).as_string()} = {literal(value)}"
            for key, value in settings.extra.items()
        ]
        parts.append("# Keys of your own, carried through.\n" + "\n".join(lines) + "\n")
    parts += [_group(group, settings) for group in SETTING_GROUPS]
    return "\n".join(parts)


def _group(group: str, settings: Settings) -> str:
    """Write a table of settings; as a comment if nothing in it is stated."""
    own = [setting for setting in SETTINGS if setting.group == group]
    usual = {entry.name: entry.default for entry in fields(Settings)}
    values = {setting.name: getattr(settings, setting.name) for setting in own}
    stated = {name for name, value in values.items() if value != usual[name]}
    entries = [_entry(s, values[s.name], stated=s.name in stated) for s in own]
    return ("" if stated else "# ") + f"[{group}]\n" + "".join(entries)


def _entry(setting: Setting, value: Any, *, stated: bool) -> str:
    """Write one key below its meaning; as a comment if it is not stated."""
    text = setting.meaning
    if setting.choices:
        text += " Allowed: " + ", ".join(f'"{word}"' for word in setting.choices) + "."
    text += " Needed." if setting.needed else f" Default: {setting.default}."
    if value in (None, ()):
        value = _EXAMPLES.get(setting.kind, "")
    line = f"{setting.key} = {literal(value)}\n"
    meaning = "".join(f"# {part}\n" for part in textwrap.wrap(text, 86))
    return meaning + (line if stated else f"# {line}")
