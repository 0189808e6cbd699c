"""Sensor classes, uncertainty and browning rate against published values."""

import numpy as np
import pytest

from pitstats.stats import (
    browning_factor,
    equivalent_minutes,
    sensor_tolerance,
    sensor_uncertainty,
)
from pitstats.stats.sensors import SENSOR_CLASSES


@pytest.mark.parametrize(
    ("sensor", "temp", "error"),
    [
        # IEC 60584-1, type K: class 1 +/-1.5 to 375 C then 0.004 t, class 2 +/-2.5 to
        # 333 C then 0.0075 t.
        ("IEC 60584-1 type K class 1", 177, 1.5),
        ("IEC 60584-1 type K class 1", 400, 1.6),
        ("IEC 60584-1 type K class 2", 177, 2.5),
        ("IEC 60584-1 type K class 2", 400, 3.0),
        # ASTM E230, type K: greater of 2.2 C or 0.75 %; special 1.1 C or 0.4 %.
        ("ASTM E230 type K standard", 177, 2.2),
        ("ASTM E230 type K standard", 400, 3.0),
        ("ASTM E230 type K special", 177, 1.1),
        # IEC 60751: A 0.15 + 0.002 t, B 0.30 + 0.005 t.
        ("IEC 60751 Pt100 class A", 177, 0.504),
        ("IEC 60751 Pt100 class B", 177, 1.185),
    ],
)
def test_published_classes(sensor: str, temp: float, error: float) -> None:
    assert sensor_tolerance(temp, sensor) == pytest.approx(error, abs=0.0005)


def test_classes_change_over_without_a_step() -> None:
    at = np.linspace(0, 500, 5001)
    for sensor in SENSOR_CLASSES:
        steps = np.diff(sensor_tolerance(at, sensor))
        assert (steps >= 0).all()
        assert steps.max() < 0.002


def test_parts_of_an_uncertainty_add_in_squares() -> None:
    budget = sensor_uncertainty(
        177, "IEC 60584-1 type K class 2", resolution=1.0, others=0.5
    )
    # JCGM 100:2008: rectangular bounds over sqrt(3), a step over sqrt(12).
    parts = np.array([2.5 / 3**0.5, 1 / 12**0.5, 0.5])
    assert list(budget.parts.values()) == pytest.approx(parts)
    assert budget.combined == pytest.approx(np.sqrt((parts**2).sum()))
    assert budget.expanded == pytest.approx(2 * budget.combined)


def test_a_check_takes_the_place_of_the_class() -> None:
    sensor = "ASTM E230 type K standard"
    checked = sensor_uncertainty(177, sensor, check=0.1, reference=0.5)
    assert set(checked.parts) == {"offset check", "reference thermometer"}
    assert checked.combined < sensor_uncertainty(177, sensor).combined


def test_a_rectangular_bound_by_simulation() -> None:
    rng = np.random.default_rng(4)
    error = rng.uniform(-2.5, 2.5, 200_000) + rng.uniform(-0.5, 0.5, 200_000)
    budget = sensor_uncertainty(177, "IEC 60584-1 type K class 2", resolution=1.0)
    assert error.std() == pytest.approx(budget.combined, rel=0.01)


def test_nothing_known_is_said() -> None:
    with pytest.raises(ValueError, match="Nothing is known"):
        sensor_uncertainty(177)
    with pytest.raises(ValueError, match="known are"):
        sensor_tolerance(177, "type Z")
    with pytest.raises(ValueError, match="0 or more"):
        sensor_uncertainty(177, others=-1.0)


def test_offsets_in_browning_rate() -> None:
    # 10 ** (dT / z) with dT in F turned into K by 5/9 alone: 25 F = 13.889 K.
    kelvin = np.array([10, 25, 50]) / 1.8
    assert kelvin[1] == pytest.approx(13.889, abs=0.0005)
    for z, expected in (
        (25, (1.67, 3.59, 12.9)),
        (33, (1.47, 2.64, 6.95)),
        (45, (1.33, 2.03, 4.14)),
        (60, (1.24, 1.70, 2.90)),
    ):
        assert browning_factor(kelvin, z) == pytest.approx(expected, rel=0.005)


def test_equivalent_minutes_of_six_steps() -> None:
    temp = [150, 160, 170, 175, 175, 175]
    assert equivalent_minutes([3.0] * 6, temp, 175, z=33) == pytest.approx(
        12.694, abs=0.0005
    )
    assert equivalent_minutes([3.0] * 6, temp, 175, z=60) == pytest.approx(
        14.313, abs=0.0005
    )


def test_z_follows_from_an_activation_energy() -> None:
    # z = ln(10) R T^2 / Ea at 177 C: the rate of bread crust (Zanoni et al. 1995, Ea =
    # 64 151 J/mol) has z near 60.5 K, so a step of 10 K agrees to a few per cent.
    gas, at = 8.314, 177 + 273.15
    z = np.log(10) * gas * at**2 / 64_151
    assert z == pytest.approx(60.5, abs=0.05)
    arrhenius = np.exp(-64_151 / gas * (1 / (at + 10) - 1 / at))
    assert float(browning_factor(10.0, z)) == pytest.approx(arrhenius, rel=0.02)


def test_impossible_settings_are_refused() -> None:
    with pytest.raises(ValueError, match="above 0"):
        browning_factor(10.0, 0)
    with pytest.raises(ValueError, match="length in minutes"):
        equivalent_minutes([1.0, 2], [170.0], 175)
