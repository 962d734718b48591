"""Negative-temperature-coefficient thermistors: curve, divider, and what a ground shift does.

The curve is Steinhart and Hart's, 1/T = A + B ln R + C (ln R)^3 (Deep-Sea Research 15, 1968,
p. 497; from memory). The default table is one car maker's service-manual sensor of the common
family, as quoted by a secondary source; others differ, so it serves for orders of magnitude.
Resistance in ohm, temperature in degC, voltage in V.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

KELVIN = 273.15
#: Service-manual table of a common automotive sensor: degC and ohm.
COMMON_TABLE_C = (-40.0, -20.0, 0.0, 20.0, 40.0, 60.0, 80.0)
COMMON_TABLE_OHM = (52150.0, 16250.0, 6000.0, 2450.0, 1110.0, 540.0, 290.0)
#: Usual pull-up of aftermarket and older controllers, ohm, to 5 V: common practice, no source.
PULL_UP_OHM = 2490.0
SUPPLY_V = 5.0


@dataclass(frozen=True)
class Curve:
    """Coefficients of the Steinhart-Hart equation, for resistance in ohm and kelvin."""

    a: float
    b: float
    c: float


def fit_curve(*, temperature_c: ArrayLike, resistance_ohm: ArrayLike) -> Curve:
    """Fit a curve through three points, or by least squares through more (of 1/T).

    temperature_c, resistance_ohm: shape (n,), n >= 3, resistances positive and distinct.
    Raises ValueError for fewer points.
    """
    t = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    log_r = np.log(np.asarray(resistance_ohm, dtype=np.float64))
    if t.size < 3 or np.unique(log_r).size < 3:
        raise ValueError("a thermistor curve needs three different points")
    design = np.stack([np.ones_like(log_r), log_r, log_r**3], axis=1)
    a, b, c = np.linalg.lstsq(design, 1.0 / t, rcond=None)[0]
    return Curve(float(a), float(b), float(c))


def common_curve() -> Curve:
    """Curve through -40, 20 and 80 degC of the common table."""
    return fit_curve(
        temperature_c=[COMMON_TABLE_C[i] for i in (0, 3, 6)],
        resistance_ohm=[COMMON_TABLE_OHM[i] for i in (0, 3, 6)],
    )


def temperature(*, resistance_ohm: ArrayLike, curve: Curve) -> Floats:
    """Temperature (n,) in degC of resistances (n,) in ohm."""
    log_r = np.log(np.asarray(resistance_ohm, dtype=np.float64))
    return np.asarray(1.0 / (curve.a + curve.b * log_r + curve.c * log_r**3) - KELVIN)


def resistance(*, temperature_c: ArrayLike, curve: Curve) -> Floats:
    """Resistance (n,) in ohm at temperatures (n,) in degC: the cubic's only real root."""
    t = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    x = (curve.a - 1.0 / t) / curve.c
    y = np.sqrt((curve.b / (3.0 * curve.c)) ** 3 + x**2 / 4.0)
    return np.asarray(np.exp(np.cbrt(y - x / 2.0) - np.cbrt(y + x / 2.0)))


def beta(*, cold_c: float, cold_ohm: float, hot_c: float, hot_ohm: float) -> float:
    """Beta value in kelvin between two points; it is not constant along a real sensor."""
    return float(np.log(cold_ohm / hot_ohm) / (1.0 / (cold_c + KELVIN) - 1.0 / (hot_c + KELVIN)))


def beta_resistance(
    *, temperature_c: ArrayLike, reference_ohm: float, reference_c: float, beta_k: float
) -> Floats:
    """Resistance (n,) by the two-parameter model R = R0 exp(B (1/T - 1/T0))."""
    t = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    return np.asarray(reference_ohm * np.exp(beta_k * (1.0 / t - 1.0 / (reference_c + KELVIN))))


def divider_voltage(
    *, resistance_ohm: ArrayLike, pull_up_ohm: float = PULL_UP_OHM, supply_v: float = SUPPLY_V
) -> Floats:
    """Voltage (n,) across the sensor below its pull-up."""
    r = np.asarray(resistance_ohm, dtype=np.float64)
    return np.asarray(supply_v * r / (r + pull_up_ohm))


def divider_resistance(
    *, voltage_v: ArrayLike, pull_up_ohm: float = PULL_UP_OHM, supply_v: float = SUPPLY_V
) -> Floats:
    """Resistance (n,) that gives this voltage; NaN outside 0 to the supply."""
    v = np.asarray(voltage_v, dtype=np.float64)
    inside = (v > 0.0) & (v < supply_v)
    return np.where(inside, pull_up_ohm * v / np.where(inside, supply_v - v, 1.0), np.nan)


def ground_shift(
    *,
    temperature_c: ArrayLike,
    shift_v: float,
    curve: Curve,
    pull_up_ohm: float = PULL_UP_OHM,
    supply_v: float = SUPPLY_V,
) -> Floats:
    """Change (n,) in K of the reading when every voltage is read ``shift_v`` too high.

    As when the sensors and their supply share a ground that stands above the converter's:
    V = shift + supply R / (R + pull-up). Higher volts read as colder. (Were the supply held
    against the converter's ground, the shift would count by pull-up / (R + pull-up) only.)
    """
    r = resistance(temperature_c=temperature_c, curve=curve)
    seen = shift_v + supply_v * r / (r + pull_up_ohm)
    apparent = divider_resistance(voltage_v=seen, pull_up_ohm=pull_up_ohm, supply_v=supply_v)
    read = temperature(resistance_ohm=apparent, curve=curve)
    return np.asarray(read - np.asarray(temperature_c, dtype=np.float64))
