"""Temperature sensors with negative coefficient in a voltage divider.

Sources: Steinhart and Hart, Deep-Sea Research 15 (1968) 497; the beta model is its
two-constant form.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
KELVIN = 273.15


def beta_temperature_k(
    *, resistance_ohm: ArrayLike, reference_ohm: float, reference_k: float, beta_k: float
) -> FloatArray:
    """Temperature (K): 1/T = 1/T0 + ln(R/R0)/beta."""
    ratio = np.asarray(resistance_ohm, dtype=np.float64) / reference_ohm
    return np.asarray(1.0 / (1.0 / reference_k + np.log(ratio) / beta_k))


def beta_resistance_ohm(
    *, temperature_k: ArrayLike, reference_ohm: float, reference_k: float, beta_k: float
) -> FloatArray:
    """Resistance (ohm) of the beta model at a temperature (K)."""
    kelvin = np.asarray(temperature_k, dtype=np.float64)
    return np.asarray(reference_ohm * np.exp(beta_k * (1.0 / kelvin - 1.0 / reference_k)))


def steinhart_hart(
    *, resistances_ohm: ArrayLike, temperatures_k: ArrayLike
) -> tuple[float, float, float]:
    """Coefficients a, b, c of 1/T = a + b ln R + c ln(R)^3 through three points (3,), (3,)."""
    logs = np.log(np.asarray(resistances_ohm, dtype=np.float64))
    matrix = np.column_stack([np.ones(3), logs, logs**3])
    a, b, c = np.linalg.solve(matrix, 1.0 / np.asarray(temperatures_k, dtype=np.float64))
    return float(a), float(b), float(c)


def steinhart_hart_temperature_k(
    *, resistance_ohm: ArrayLike, coefficients: tuple[float, float, float]
) -> FloatArray:
    """Temperature (K) of a resistance (ohm) by its three coefficients."""
    logs = np.log(np.asarray(resistance_ohm, dtype=np.float64))
    a, b, c = coefficients
    return np.asarray(1.0 / (a + b * logs + c * logs**3))


def divider_resistance_ohm(
    *, voltage: ArrayLike, supply_v: float, pull_up_ohm: float
) -> FloatArray:  # sensor to ground, pull-up to the supply
    """Resistance (ohm) of a sensor to ground below a pull-up, from the voltage across it."""
    v = np.asarray(voltage, dtype=np.float64)
    return np.asarray(pull_up_ohm * v / (supply_v - v))


def divider_voltage(
    *, resistance_ohm: ArrayLike, supply_v: float, pull_up_ohm: float
) -> FloatArray:
    """Voltage (V) across a sensor to ground below a pull-up."""
    r = np.asarray(resistance_ohm, dtype=np.float64)
    return np.asarray(supply_v * r / (r + pull_up_ohm))
