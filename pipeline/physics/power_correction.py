"""Factors that refer an engine's power to standard air, each named by its standard.

None is meant for an engine whose boost is held at an absolute pressure: there the factor is 1.
``J1349`` as in the June 1990 form (85 % mechanical efficiency rounded to 1.180 / 0.18); ISO
1585's exponents 1.2 and 0.6 and DIN 70020's total pressure are from memory.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def j1349(*, dry_pressure_hpa: ArrayLike, temperature_c: ArrayLike) -> FloatArray:
    """SAE J1349 (June 1990): 99 kPa dry, 25 degC."""
    kelvin = np.asarray(temperature_c, dtype=np.float64) + 273.0
    ratio = 990.0 / np.asarray(dry_pressure_hpa, dtype=np.float64)
    return np.asarray(1.180 * ratio * np.sqrt(kelvin / 298.0) - 0.18)


def j607(*, dry_pressure_hpa: ArrayLike, temperature_c: ArrayLike) -> FloatArray:
    """SAE J607: 1013 hPa, 15 degC."""
    kelvin = np.asarray(temperature_c, dtype=np.float64) + 273.0
    ratio = 1013.0 / np.asarray(dry_pressure_hpa, dtype=np.float64)
    return np.asarray(1.18 * ratio * np.sqrt(kelvin / 288.0) - 0.18)


def iso1585(*, dry_pressure_hpa: ArrayLike, temperature_c: ArrayLike) -> FloatArray:
    """ISO 1585, spark ignition: 99 kPa dry, 298 K; valid from 0.93 to 1.07 (from memory)."""
    kelvin = np.asarray(temperature_c, dtype=np.float64) + 273.0
    ratio = 990.0 / np.asarray(dry_pressure_hpa, dtype=np.float64)
    return np.asarray(ratio**1.2 * (kelvin / 298.0) ** 0.6)


def din70020(*, pressure_hpa: ArrayLike, temperature_c: ArrayLike) -> FloatArray:
    """DIN 70020: 1013.25 hPa total pressure, 20 degC."""
    kelvin = np.asarray(temperature_c, dtype=np.float64) + 273.15
    ratio = 1013.25 / np.asarray(pressure_hpa, dtype=np.float64)
    return np.asarray(ratio * np.sqrt(kelvin / 293.15))


#: By the name of the standard, for a page that names the one it used.
BY_STANDARD: dict[str, Callable[..., FloatArray]] = {
    "SAE J1349": j1349, "SAE J607": j607, "ISO 1585": iso1585,
}  # fmt: skip
