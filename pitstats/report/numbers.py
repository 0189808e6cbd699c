"""Numbers, spans and units as sentences and tables write them."""

from __future__ import annotations

import math
from collections.abc import Callable

# Also for the sections.
from pitstats.study.percent import MINUS as MINUS
from pitstats.study.percent import in_hundreds
from pitstats.study.percent import level_text as level_text
from pitstats.study.percent import percent as percent
from pitstats.study.percent import signed as signed
from pitstats.study.percent import true_minus as true_minus

NO_VALUE = "\N{EN DASH}"
"""What a table shows where nothing is known."""


def ranged(write: Callable[[float], str], low: float, high: float) -> str:
    """Write the ends of an interval."""
    if math.isnan(low):
        return NO_VALUE
    if write is percent:
        low, high = _outward(low, high)
    if write is signed_points:
        write = _signed_end
    return f"{write(low)} to {write(high)}"


def _outward(low: float, high: float) -> tuple[float, float]:
    """Widen an interval of shares to the next tenth of a per cent at 0 and 1.

    Its ends are no claims of their own: "0% to 2%" says no more than "under 0.1%" to
    2% would, in fewer words. Equal ends were counted.
    """
    if low == high:
        return low, high
    low = 0.0 if low < 0.0005 else min(low, 0.999)
    high = 1.0 if high > 0.9995 else max(high, 0.001)
    return low, high


def with_ends(
    write: Callable[[float], str], value: float, low: float, high: float
) -> str:
    """Write an estimate with its interval, without one where none is known.

    Examples
    --------
    >>> with_ends(percent, 0.3, 0.1, 0.5)
    '30% (10% to 50%)'
    """
    if math.isnan(value):
        return NO_VALUE
    ends = "" if math.isnan(low) else f" ({ranged(write, low, high)})"
    return write(value) + ends


def points(difference: float) -> str:
    """Write the size of a difference of rates; the sign is left to the sentence."""
    value = abs(in_hundreds(difference))
    if 0.005 <= value < 0.05:
        text = f"{value:.1g}"
    else:
        text = f"{value:.1f}" if 0.05 <= value < 0.95 else f"{value:.0f}"
    return f"{text} point" if text == "1" else f"{text} points"


def bare_points(difference: float) -> str:
    """Write the size of a difference of rates without its unit."""
    return points(difference).split()[0]


def signed_points(value: float) -> str:
    """Write a difference in points with its sign, without the unit.

    Examples
    --------
    >>> signed_points(0.123), signed_points(-0.05), signed_points(-0.004)
    ('+12', '\N{MINUS SIGN}5', '\N{MINUS SIGN}0.4')
    """
    if math.isnan(value):
        return NO_VALUE
    exact = in_hundreds(value)
    if abs(exact) < 0.05:
        # Smaller than the error of the draws it may come from.
        return "0"
    # An end close to 0 must not be rounded onto the other side of a verdict.
    text = f"{exact:+.1f}" if abs(exact) < 0.95 else f"{exact:+.0f}"
    return true_minus(text)


def _signed_end(value: float) -> str:
    """Write an end of an interval: however close to 0, it stays on its side of it."""
    exact = in_hundreds(value)
    if 0.005 <= abs(exact) < 0.05:
        return true_minus(f"{exact:+.1g}")
    return signed_points(value)


def signed_size(value: float) -> str:
    """Write a difference with its sign and unit, as in ``+1 point``."""
    text = signed_points(value)
    return f"{text} point" if text[1:] == "1" else f"{text} points"


def p_number(p_value: float) -> str:
    """Write a p-value as a table does; never 0 and never 1, "none" without one."""
    if math.isnan(p_value):
        return "none"
    if p_value < 0.001:
        return "< 0.001"
    if p_value > 0.99:
        return "> 0.99"
    return f"{p_value:.{2 if p_value >= 0.1 else 3}f}"


def p_text(p_value: float, adjusted: bool = True) -> str:
    """Write a p-value as a sentence does."""
    if math.isnan(p_value):
        return "no p-value"
    text = p_number(p_value)
    name = "adjusted p" if adjusted else "p"
    return f"{name} {text}" if text[0] in "<>" else f"{name} = {text}"


def measured(value: float) -> str:
    """Write a number of degrees or mm, with one digit where a whole would hide it."""
    if not math.isfinite(value):
        return "unknown"
    if abs(value) < 0.05:
        return "0"
    text = f"{value:.1f}" if abs(value) < 9.95 else f"{value:.0f}"
    return true_minus(text)


def degrees(value: float, unit: str) -> str:
    """Write a temperature or a difference of temperatures; nothing is converted."""
    return f"{measured(value)} °{unit}"


def signed_measured(value: float) -> str:
    """Write a difference of degrees, mm or areas with its sign."""
    return "+" * (value >= 0.05) + measured(value)


def signed_degrees(value: float) -> str:
    """Write an offset with its sign, without the unit."""
    return true_minus(f"{value:+.1f}")


def tenths(value: float) -> str:
    """Write a number with one digit behind the point; never minus zero."""
    text = "0.0" if abs(value) < 0.05 else f"{value:.1f}"
    return true_minus(text)


def between(low: float, high: float) -> str:
    """Write an interval, with digits enough to tell its ends apart."""
    return ranged(_digits_for(low, high), low, high)


def finely(value: float, low: float, high: float) -> str:
    """Write a measured estimate with its interval, with digits that tell them apart."""
    return with_ends(_digits_for(low, high), value, low, high)


def _digits_for(low: float, high: float) -> Callable[[float], str]:
    return tenths if high - low < 3 else measured
