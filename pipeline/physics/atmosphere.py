"""The standard atmosphere: pressure, temperature and density over altitude, and back.

Source: U.S. Standard Atmosphere, 1976 (NOAA-S/T 76-1562), identical to ISO 2533:1975 in the
troposphere. Only the troposphere (below 11 km) is covered: no car leaves it.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

#: Constants of the U.S. Standard Atmosphere 1976: sea-level pressure (Pa) and temperature (K),
#: lapse rate (K/m), gravity (m/s2), gas constant (J/(mol K)), molar mass (kg/mol), and the
#: effective radius of the earth (m) for geopotential height.
SEA_LEVEL_PRESSURE_PA = 101325.0
SEA_LEVEL_TEMPERATURE_K = 288.15
LAPSE_K_PER_M = 0.0065
STANDARD_GRAVITY_M_S2 = 9.80665
GAS_CONSTANT_J_MOL_K = 8.31432
MOLAR_MASS_KG_MOL = 0.0289644
EARTH_RADIUS_M = 6356766.0

#: Exponent of the troposphere's pressure law, g0 M / (R* L) = 5.25588.
PRESSURE_EXPONENT = (
    STANDARD_GRAVITY_M_S2 * MOLAR_MASS_KG_MOL / (GAS_CONSTANT_J_MOL_K * LAPSE_K_PER_M)
)

#: Barometer readings that a road on earth and its weather can give, kPa: from a pass at 4000 m
#: on a standard day (61.6 kPa) less bad weather to the highest sea-level pressure on record
#: (108.4 kPa, Siberia 1968). Common practice, inside the weather records.
BAROMETER_LOW_KPA = 58.0
BAROMETER_HIGH_KPA = 108.5

#: How far weather moves sea-level pressure from the standard, kPa: two standard deviations of
#: mid-latitude weather are about 2 kPa, storms and highs reach 4. Common practice.
WEATHER_KPA = 4.0


def geopotential_height_m(altitude_m: ArrayLike) -> FloatArray:
    """Geopotential height (m) of a geometric altitude (m): r h / (r + h)."""
    h = np.asarray(altitude_m, dtype=np.float64)
    return np.asarray(EARTH_RADIUS_M * h / (EARTH_RADIUS_M + h), dtype=np.float64)


def standard_temperature_k(altitude_m: ArrayLike) -> FloatArray:
    """Standard temperature (K) at a geometric altitude (m, below 11 km)."""
    return SEA_LEVEL_TEMPERATURE_K - LAPSE_K_PER_M * geopotential_height_m(altitude_m)


def standard_pressure_pa(altitude_m: ArrayLike) -> FloatArray:
    """Standard pressure (Pa) at a geometric altitude (m, below 11 km)."""
    ratio = standard_temperature_k(altitude_m) / SEA_LEVEL_TEMPERATURE_K
    return np.asarray(SEA_LEVEL_PRESSURE_PA * ratio**PRESSURE_EXPONENT, dtype=np.float64)


def standard_pressure_kpa(altitude_m: ArrayLike) -> FloatArray:
    """Standard pressure (kPa) at a geometric altitude (m, below 11 km)."""
    return standard_pressure_pa(altitude_m) / 1000.0


def standard_density_kg_m3(altitude_m: ArrayLike) -> FloatArray:
    """Standard density (kg/m3) at a geometric altitude (m): p M / (R* T)."""
    temperature = standard_temperature_k(altitude_m)
    return np.asarray(
        standard_pressure_pa(altitude_m) * MOLAR_MASS_KG_MOL / (GAS_CONSTANT_J_MOL_K * temperature),
        dtype=np.float64,
    )


def pressure_altitude_m(pressure_pa: ArrayLike) -> FloatArray:
    """Geopotential height (m) at which the standard atmosphere has this pressure (Pa)."""
    ratio = np.asarray(pressure_pa, dtype=np.float64) / SEA_LEVEL_PRESSURE_PA
    return np.asarray(
        SEA_LEVEL_TEMPERATURE_K / LAPSE_K_PER_M * (1.0 - ratio ** (1.0 / PRESSURE_EXPONENT)),
        dtype=np.float64,
    )
