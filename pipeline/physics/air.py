"""Air: density dry and moist, what a cylinder traps, what an engine swallows, fuel for it.

Sources: ideal gas law; saturation pressure after Hyland and Wexler (ASHRAE); volumetric
efficiency as in Heywood, Internal Combustion Engine Fundamentals, ch. 2 (from memory).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

#: Specific gas constants, J/(kg K): dry air (8.31446 / 28.965) and water vapour (over 18.015).
GAS_CONSTANT_DRY_AIR = 287.05
GAS_CONSTANT_WATER_VAPOUR = 461.52
KELVIN = 273.15

#: Hyland and Wexler's constants C8 to C13, over liquid water.
_HYLAND_WEXLER = (
    -5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 6.5459673,
)  # fmt: skip


def density(*, pressure_pa: ArrayLike, temperature_k: ArrayLike) -> FloatArray:
    """Density of dry air (kg/m3): p / (R T). Shapes broadcast."""
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    return np.asarray(pressure / (GAS_CONSTANT_DRY_AIR * np.asarray(temperature_k)))


def saturation_pressure_pa(temperature_c: ArrayLike) -> FloatArray:
    """Saturation vapour pressure over water (Pa), 0 to 100 degC; a little high below 0.

    Source: Hyland and Wexler 1983, as printed in the ASHRAE Handbook Fundamentals, ch. 1.
    """
    kelvin = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    c8, c9, c10, c11, c12, c13 = _HYLAND_WEXLER
    power = c8 / kelvin + c9 + kelvin * (c10 + kelvin * (c11 + kelvin * c12))
    return np.asarray(np.exp(power + c13 * np.log(kelvin)))


def vapour_pressure_pa(*, temperature_c: ArrayLike, relative_humidity: ArrayLike) -> FloatArray:
    """Partial pressure of water vapour (Pa); relative humidity as a fraction 0-1."""
    humidity = np.asarray(relative_humidity, dtype=np.float64)
    return np.asarray(humidity * saturation_pressure_pa(temperature_c))


def moist_density(
    *, pressure_pa: ArrayLike, temperature_c: ArrayLike, relative_humidity: ArrayLike
) -> FloatArray:
    """Density of moist air (kg/m3) as a mixture of two ideal gases; humidity 0-1."""
    kelvin = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    vapour = vapour_pressure_pa(temperature_c=temperature_c, relative_humidity=relative_humidity)
    dry = np.asarray(pressure_pa, dtype=np.float64) - vapour
    return np.asarray(
        dry / (GAS_CONSTANT_DRY_AIR * kelvin) + vapour / (GAS_CONSTANT_WATER_VAPOUR * kelvin)
    )


def cylinder_air_kg(
    *,
    pressure_pa: ArrayLike,
    temperature_k: ArrayLike,
    cylinder_volume_m3: ArrayLike,
    volumetric_efficiency: ArrayLike,
) -> FloatArray:
    """Air one cylinder traps per cycle (kg), efficiency referred to the manifold's state."""
    return np.asarray(
        density(pressure_pa=pressure_pa, temperature_k=temperature_k)
        * np.asarray(cylinder_volume_m3)
        * np.asarray(volumetric_efficiency)
    )


def engine_air_flow_kg_s(
    *,
    pressure_pa: ArrayLike,
    temperature_k: ArrayLike,
    displacement_m3: float,
    speed_rpm: ArrayLike,
    volumetric_efficiency: ArrayLike,
) -> FloatArray:
    """Air flow of a four-stroke engine (kg/s): one filling per two turns."""
    trapped = cylinder_air_kg(
        pressure_pa=pressure_pa,
        temperature_k=temperature_k,
        cylinder_volume_m3=displacement_m3,
        volumetric_efficiency=volumetric_efficiency,
    )
    return np.asarray(trapped * np.asarray(speed_rpm, dtype=np.float64) / 120.0)


def volumetric_efficiency(
    *,
    air_flow_kg_s: ArrayLike,
    density_kg_m3: ArrayLike,
    displacement_m3: float,
    speed_rpm: ArrayLike,
) -> FloatArray:
    """Volumetric efficiency of a four-stroke engine, referred to the given density."""
    swept = np.asarray(density_kg_m3, dtype=np.float64) * displacement_m3
    return np.asarray(
        120.0 * np.asarray(air_flow_kg_s) / (swept * np.asarray(speed_rpm, dtype=np.float64))
    )


def fuel_flow_kg_s(
    *, air_flow_kg_s: ArrayLike, lambda_: ArrayLike, stoichiometric_ratio: float
) -> FloatArray:
    """Fuel flow (kg/s) that gives this lambda with this air flow."""
    ratio = np.asarray(lambda_, dtype=np.float64) * stoichiometric_ratio
    return np.asarray(np.asarray(air_flow_kg_s, dtype=np.float64) / ratio)
