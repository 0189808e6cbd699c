"""What a temperature is worth: sensor classes, uncertainty, browning rate.

Temperatures here are in °C and differences in kelvin. A difference in °F is turned
into kelvin by 5/9 alone; the 32 belongs to readings, never to differences.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def _base_metal(least: float, share: float) -> Callable[[Floats], Floats]:
    return lambda temp: np.maximum(least, share * temp)


def _platinum(least: float, share: float) -> Callable[[Floats], Floats]:
    return lambda temp: least + share * temp


#: Largest error allowed for a new sensor, in K, as a function of |t| in °C.
SENSOR_CLASSES: dict[str, Callable[[Floats], Floats]] = {
    "IEC 60584-1 type K class 1": _base_metal(1.5, 0.004),
    "IEC 60584-1 type K class 2": _base_metal(2.5, 0.0075),
    "ASTM E230 type K special": _base_metal(1.1, 0.004),
    "ASTM E230 type K standard": _base_metal(2.2, 0.0075),
    "IEC 60751 Pt100 class A": _platinum(0.15, 0.002),
    "IEC 60751 Pt100 class B": _platinum(0.30, 0.005),
}


def sensor_tolerance(temp: ArrayLike, sensor: str) -> Floats:
    """Largest error that a sensor class allows, for a sensor as new.

    Parameters
    ----------
    temp : array_like of float
        Temperature in °C, 0 or more.
    sensor : str
        One of ``SENSOR_CLASSES``, for example "IEC 60584-1 type K class 2".

    Returns
    -------
    ndarray
        Plus or minus, in K.

    Raises
    ------
    ValueError
        If the class is not known.

    Notes
    -----
    Classes hold for new wire and for the sensor alone, not for its meter, its
    placement or what it has been through.

    References
    ----------
    .. [1] IEC 60584-1, Thermocouples, part 1: EMF specifications and tolerances.
    .. [2] ASTM E230, Temperature-EMF tables for standardized thermocouples.
    .. [3] IEC 60751, Industrial platinum resistance thermometers.

    Examples
    --------
    >>> float(sensor_tolerance(177, "IEC 60584-1 type K class 2"))
    2.5
    """
    if sensor not in SENSOR_CLASSES:
        known = ", ".join(SENSOR_CLASSES)
        raise ValueError(f"There is no sensor class {sensor!r}; known are {known}.")
    return SENSOR_CLASSES[sensor](np.abs(np.asarray(temp, dtype=float)))


@dataclass(frozen=True, kw_only=True)
class SensorBudget:
    """Uncertainty of one probe reading, part by part.

    Attributes
    ----------
    parts : mapping of str to float
        Standard uncertainty of each part, in K.
    combined : float
        Root of the sum of squares, in K.
    expanded : float
        ``coverage_factor`` x ``combined``, in K.
    coverage_factor : float
        2 unless chosen otherwise: about 95 % where no single part dominates.
    """

    parts: dict[str, float]
    combined: float
    expanded: float
    coverage_factor: float


def sensor_uncertainty(
    temp: float,
    sensor: str | None = None,
    *,
    check: float | None = None,
    reference: float = 0.0,
    resolution: float = 0.0,
    others: float = 0.0,
    coverage_factor: float = 2.0,
) -> SensorBudget:
    """Combine what is known about a probe into one uncertainty.

    Parameters
    ----------
    temp : float
        Temperature in °C at which the probe was used.
    sensor : str, optional
        Its class, see `sensor_tolerance`.
    check : float, optional
        Standard uncertainty in K of the offset found in a probe check and taken off
        (its ``std_error``). It takes the place of the sensor's class, which then no
        longer says anything at the temperature of the check.
    reference : float, default 0
        Largest error of the thermometer that served as reference in the check, in K.
    resolution : float, default 0
        Step of the display, in K.
    others : float, default 0
        Standard uncertainty of everything else (placement, radiation), in K.
    coverage_factor : float, default 2
        Of the expanded uncertainty.

    Returns
    -------
    SensorBudget
        Parts, combined and expanded.

    Raises
    ------
    ValueError
        If a part is negative, or nothing at all is known.

    Notes
    -----
    A bound (class, reference) counts as a rectangular distribution, bound / sqrt(3); a
    display step as step / sqrt(12); independent parts add in squares [1]_. A probe
    checked at one temperature and used at another keeps what of its error grows with
    temperature; put that into ``others``.

    References
    ----------
    .. [1] JCGM 100:2008, Guide to the expression of uncertainty in measurement,
       4.3.7, 5.1.2 and F.2.2.1.

    Examples
    --------
    >>> budget = sensor_uncertainty(177, "IEC 60584-1 type K class 2", resolution=0.1)
    >>> round(budget.expanded, 2)
    2.89
    """
    bounds = (reference, resolution, others, check or 0.0)
    if min(bounds) < 0 or coverage_factor <= 0:
        raise ValueError("Parts of an uncertainty are 0 or more.")
    parts: dict[str, float] = {}
    if check is not None:
        parts["offset check"] = float(check)
        parts["reference thermometer"] = reference / np.sqrt(3)
    elif sensor is not None:
        parts["sensor class"] = float(sensor_tolerance(temp, sensor)) / np.sqrt(3)
    parts |= {"display step": resolution / np.sqrt(12), "others": others}
    parts = {name: float(value) for name, value in parts.items() if value > 0}
    if not parts:
        raise ValueError(
            "Nothing is known about the probe: give its class, a check, a display step "
            "or another part."
        )
    combined = float(np.sqrt(sum(value**2 for value in parts.values())))
    return SensorBudget(
        parts=parts,
        combined=combined,
        expanded=coverage_factor * combined,
        coverage_factor=coverage_factor,
    )


def browning_factor(difference: ArrayLike, z: float = 35.0) -> Floats:
    """By how much a temperature difference changes the browning rate.

    Parameters
    ----------
    difference : array_like of float
        In K.
    z : float, default 35.0
        Kelvin that change the rate tenfold. No single value is right: bread crust was
        measured near 60 K, model systems near 25 to 35 K; show more than one.

    Returns
    -------
    ndarray
        ``10 ** (difference / z)``.

    Raises
    ------
    ValueError
        If ``z`` is not above 0.

    Notes
    -----
    Not a doneness or safety figure. The rule is the usual linear-in-temperature form
    of a rate; it follows from an activation energy Ea by z = ln(10) R T^2 / Ea.

    References
    ----------
    .. [1] Zanoni B, Peri C, Bruno D (1995), LWT 28:604-609 (bread crust).

    Examples
    --------
    >>> float(browning_factor(35.0).round(1))
    10.0
    """
    if not z > 0:
        raise ValueError(f"z is {z:g}; it must be above 0 K.")
    return np.asarray(10.0 ** (np.asarray(difference, dtype=float) / z))


def equivalent_minutes(
    minutes: ArrayLike, temp: ArrayLike, reference: float, z: float = 35.0
) -> float:
    """Minutes at a reference temperature that brown as much as a bake did.

    Parameters
    ----------
    minutes : array_like, shape (n,)
        Length of each step.
    temp : array_like, shape (n,)
        Temperature of each step in °C. Of the face, if known; the temperature of the
        air overstates.
    reference : float
        In °C.
    z : float, default 35.0
        See `browning_factor`.

    Returns
    -------
    float
        Minutes. Not a doneness or safety figure.

    Raises
    ------
    ValueError
        If the lengths of the arrays differ or a step is negative.

    Examples
    --------
    >>> steps = [150, 160, 170, 175, 175, 175]
    >>> round(equivalent_minutes([3.0] * 6, steps, 175, z=60), 3)
    14.313
    """
    steps, values = np.asarray(minutes, dtype=float), np.asarray(temp, dtype=float)
    if steps.shape != values.shape or (steps < 0).any():
        raise ValueError("Each temperature needs a length in minutes, 0 or more.")
    return float((steps * browning_factor(values - reference, z)).sum())
