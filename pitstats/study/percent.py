"""Shares, levels and signed numbers, as sentences, tables and pictures write them."""

from __future__ import annotations

import math

MINUS = "\N{MINUS SIGN}"


def true_minus(text: str) -> str:
    """Write a number's hyphen as the minus sign it means."""
    return text.replace("-", MINUS)


def signed(value: float) -> str:
    """Write a whole number with its sign.

    Examples
    --------
    >>> signed(26.4), signed(-7.0)
    ('+26', '\N{MINUS SIGN}7')
    """
    return true_minus(f"{value:+.0f}")


def in_hundreds(share: float) -> float:
    """Take a share times 100, freed of the noise that would round equal halves apart.

    Examples
    --------
    >>> 100 * 0.285, in_hundreds(0.285)
    (28.499999999999996, 28.5)
    """
    return round(100 * float(share), 9)


def percent(share: float) -> str:
    """Write a share in whole per cent; only 0 and 1 themselves read as certain.

    Examples
    --------
    >>> percent(0.0), percent(0.0002), percent(0.004), percent(0.285), percent(0.9998)
    ('0%', 'under 0.1%', '0.4%', '28%', 'over 99.9%')
    """
    value = in_hundreds(share)
    if math.isnan(value):
        return "unknown"
    if 0 < value < 0.05:
        return "under 0.1%"
    if 99.95 < value < 100:
        return "over 99.9%"
    if 0 < value < 0.95 or 99.05 < value < 100:
        return f"{value:.1f}%"
    return f"{value:.0f}%"


def level_text(conf_level: float) -> str:
    """Write a level, with as many decimals as keep it off 100%.

    Examples
    --------
    >>> level_text(0.95), level_text(0.97931), level_text(0.99953)
    ('95%', '97.9%', '99.95%')
    """
    shown = (round(100 * conf_level, decimals) for decimals in range(1, 5))
    return f"{next((x for x in shown if x < 100), 99.9999):g}%"
