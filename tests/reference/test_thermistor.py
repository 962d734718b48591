"""Outside values for thermistors.

Table: a car maker's service manual as quoted by a secondary source. Coefficients and predictions
follow from it by arithmetic; the classic coefficient sets are from memory.
"""

import numpy as np
import pytest

from pipeline.physics import thermistor


def test_three_point_fit_of_the_service_manual_table():
    curve = thermistor.fit_curve(
        temperature_c=[-40.0, 20.0, 80.0], resistance_ohm=[52150.0, 2450.0, 290.0]
    )
    assert curve.a == pytest.approx(1.364791e-3, rel=1e-6)
    assert curve.b == pytest.approx(2.547745e-4, rel=1e-6)
    assert curve.c == pytest.approx(1.224850e-7, rel=1e-6)
    predicted = thermistor.temperature(resistance_ohm=[16250.0, 6000.0, 1110.0, 540.0], curve=curve)
    np.testing.assert_allclose(predicted, [-19.77, -0.06, 39.98, 60.38], atol=0.01)


def test_least_squares_extrapolates_to_the_stated_resistance():
    curve = thermistor.fit_curve(
        temperature_c=thermistor.COMMON_TABLE_C, resistance_ohm=thermistor.COMMON_TABLE_OHM
    )
    ohm = thermistor.resistance(temperature_c=[100.0], curve=curve)
    assert ohm[0] == pytest.approx(163.0, abs=0.5)


@pytest.mark.parametrize(
    ("coefficients", "ohm", "degrees", "tolerance"),
    [  # classic published sets, from memory
        ((1.468e-3, 2.383e-4, 1.007e-7), 2252.0, 25.010, 0.01),
        ((1.129148e-3, 2.34125e-4, 8.76741e-8), 10000.0, 25.000, 0.001),
    ],
)
def test_classic_coefficients(coefficients, ohm, degrees, tolerance):
    curve = thermistor.Curve(*coefficients)
    read = thermistor.temperature(resistance_ohm=[ohm], curve=curve)
    assert read[0] == pytest.approx(degrees, abs=tolerance)


def test_beta_is_not_constant():  # arithmetic from the table
    table = dict(zip(thermistor.COMMON_TABLE_C, thermistor.COMMON_TABLE_OHM, strict=True))
    high = thermistor.beta(cold_c=20, cold_ohm=table[20.0], hot_c=80, hot_ohm=table[80.0])
    low = thermistor.beta(cold_c=0, cold_ohm=table[0.0], hot_c=20, hot_ohm=table[20.0])
    assert high == pytest.approx(3682.0, abs=0.5)
    assert low == pytest.approx(3586.0, abs=0.5)


def test_beta_model_of_a_ten_kilohm_sensor():  # arithmetic
    ohm = thermistor.beta_resistance(
        temperature_c=[-20.0, 0.0, 50.0, 80.0, 100.0], reference_ohm=10000.0, reference_c=25.0,
        beta_k=3950.0,
    )  # fmt: skip
    np.testing.assert_allclose(ohm, [105384.7, 33620.6, 3588.2, 1270.3, 697.5], rtol=1e-4)


@pytest.mark.parametrize(
    ("pull_up", "volts"),
    [  # arithmetic: 5 V over the service-manual table
        (1000.0, [4.9059, 4.7101, 4.2857, 3.5507, 2.6303, 1.7532, 1.1240]),
        (2490.0, [4.7721, 4.3356, 3.5336, 2.4798, 1.5417, 0.8911, 0.5216]),
    ],
)
def test_divider_voltages(pull_up, volts):
    read = thermistor.divider_voltage(
        resistance_ohm=thermistor.COMMON_TABLE_OHM, pull_up_ohm=pull_up
    )
    np.testing.assert_allclose(read, volts, rtol=1e-4)


def test_fifty_millivolts_of_ground_shift():
    # arithmetic of the trade, 2.49 kohm: coolant at 90 degC 4.5 K, intake at 40 degC 1.2 K colder
    shift = thermistor.ground_shift(
        temperature_c=[90.0, 40.0], shift_v=0.05, curve=thermistor.common_curve()
    )
    np.testing.assert_allclose(shift, [-4.5, -1.2], atol=0.2)
