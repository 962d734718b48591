"""Thermistor formulas: inverses, directions and bad input."""

import numpy as np
import pytest

from pipeline.physics import thermistor


def test_resistance_and_temperature_are_inverse_over_the_whole_range():
    curve = thermistor.common_curve()
    t = np.linspace(-40.0, 140.0, 19)
    ohm = thermistor.resistance(temperature_c=t, curve=curve)
    assert np.all(np.diff(ohm) < 0)
    np.testing.assert_allclose(
        thermistor.temperature(resistance_ohm=ohm, curve=curve), t, atol=1e-8
    )


def test_divider_and_its_inverse():
    ohm = np.array([100.0, 1000.0, 40000.0])
    volts = thermistor.divider_voltage(resistance_ohm=ohm)
    np.testing.assert_allclose(thermistor.divider_resistance(voltage_v=volts), ohm)
    assert np.isnan(thermistor.divider_resistance(voltage_v=[0.0, 5.0, -1.0])).all()


def test_lifted_ground_reads_colder_and_hot_sensors_suffer_more():
    curve = thermistor.common_curve()
    shift = thermistor.ground_shift(temperature_c=[0.0, 40.0, 90.0], shift_v=0.05, curve=curve)
    assert np.all(shift < 0)
    assert abs(shift[2]) > abs(shift[1])
    none = thermistor.ground_shift(temperature_c=[90.0], shift_v=0.0, curve=curve)
    assert none[0] == pytest.approx(0.0, abs=1e-9)


def test_two_points_are_no_curve():
    with pytest.raises(ValueError, match="three"):
        thermistor.fit_curve(temperature_c=[0.0, 20.0], resistance_ohm=[6000.0, 2450.0])
