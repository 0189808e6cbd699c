"""Numbers, names and lists as a sentence writes them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pitstats.report.wording.guard import typed_by_user

_NUMBER_WORDS = (
    "none",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
)


NO_VALUE = "\N{EN DASH}"
"""What a table shows where nothing is known."""

MINUS = "\N{MINUS SIGN}"


def true_minus(text: str) -> str:
    """Write a number's hyphen as the minus sign it means.

    Examples
    --------
    >>> true_minus(f"{-2.5:.1f}") == "\N{MINUS SIGN}2.5"
    True
    """
    return text.replace("-", MINUS)


def percent(share: float) -> str:
    """Write a share as a whole per cent, with one digit where that would say 0 or 100.

    Parameters
    ----------
    share : float
        Between 0 and 1, or NaN.

    Returns
    -------
    str
        For example ``"28%"``, ``"0.4%"``; ``"unknown"`` for NaN.

    Examples
    --------
    >>> percent(0.284), percent(0.004), percent(0.0)
    ('28%', '0.4%', '0%')
    """
    if math.isnan(share):
        return "unknown"
    value = 100 * float(share)
    if 0 < value < 0.95 or 99.05 < value < 100:
        return f"{value:.1f}%"
    return f"{value:.0f}%"


def points(difference: float) -> str:
    """Write a difference of rates in percentage points.

    Parameters
    ----------
    difference : float
        Between -1 and 1.

    Returns
    -------
    str
        For example ``"29 points"``; the sign is left to the sentence.

    Examples
    --------
    >>> points(-0.01), points(0.294), points(0.004)
    ('1 point', '29 points', '0.4 points')
    """
    value = abs(100 * float(difference))
    text = f"{value:.1f}" if 0 < value < 0.95 else f"{value:.0f}"
    return f"{text} point" if text == "1" else f"{text} points"


def number_word(n: int) -> str:
    """Write a number as a word up to ten.

    Examples
    --------
    >>> number_word(0), number_word(10), number_word(11)
    ('none', 'ten', '11')
    """
    return _NUMBER_WORDS[n] if 0 <= n < len(_NUMBER_WORDS) else str(n)


def count(n: int, noun: str) -> str:
    """Write a number with its noun, as a word up to ten.

    Examples
    --------
    >>> count(1, "bake"), count(12, "item")
    ('one bake', '12 items')
    """
    return f"{number_word(n)} {noun}" if n == 1 else f"{number_word(n)} {noun}s"


def listed(names: Sequence[str]) -> str:
    """Join names or phrases the way a sentence does.

    Examples
    --------
    >>> listed(["Quarry", "Ferry", "Mill"])
    'Quarry, Ferry and Mill'
    """
    names = [_flat(name) for name in names]
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def one_line(text: object) -> str:
    """Return a user's text on one line, otherwise as typed.

    Every text that a user typed enters a sentence by this way, so that the words of
    a sentence can be told from the names in it.
    """
    return typed_by_user(_flat(text))


def _flat(text: object) -> str:
    return " ".join(str(text).split())


def level_text(conf_level: float) -> str:
    """Write a level as in ``95%`` or ``99.9%``."""
    return f"{round(100 * conf_level, 1):g}%"


def p_text(p_value: float, *, adjusted: bool = True) -> str:
    """Write a p-value; never ``0`` and never ``1``.

    Examples
    --------
    >>> p_text(0.0321), p_text(0.00004), p_text(0.9999, adjusted=False)
    ('adjusted p = 0.032', 'adjusted p < 0.001', 'p > 0.99')
    """
    if math.isnan(p_value):
        return "no p-value"
    name = "adjusted p" if adjusted else "p"
    if p_value < 0.001:
        return f"{name} < 0.001"
    if p_value > 0.99:
        return f"{name} > 0.99"
    return f"{name} = {p_value:.{2 if p_value >= 0.1 else 3}f}"


def measured(value: float, unknown: str = "unknown") -> str:
    """Write a number of degrees or mm, with one digit where a whole would hide it.

    Examples
    --------
    >>> measured(352.4), measured(-6.26), measured(-0.04), measured(float("nan"))
    ('352', '\u22126.3', '0', 'unknown')
    """
    if not math.isfinite(value):
        return unknown
    if abs(value) < 0.05:
        return "0"
    text = f"{value:.1f}" if abs(value) < 9.95 else f"{value:.0f}"
    return true_minus(text)


def degrees(value: float, unit: str) -> str:
    """Write a temperature or a difference of temperatures; nothing is converted.

    Examples
    --------
    >>> degrees(352.4, "F"), degrees(0.43, "C"), degrees(float("nan"), "F")
    ('352 °F', '0.4 °C', 'unknown')
    """
    return measured(value) if math.isnan(value) else f"{measured(value)} °{unit}"
