"""The standard atmosphere against two independent libraries and the standard's own constants."""

import numpy as np
import pytest
from ambiance import Atmosphere
from fluids import ATMOSPHERE_1976

from pipeline.physics import atmosphere

ALTITUDES_M = (0.0, 500.0, 1000.0, 1600.0, 2000.0, 3000.0)


@pytest.mark.parametrize("altitude", ALTITUDES_M)
def test_against_ambiance(altitude: float) -> None:
    # Source: ambiance (ICAO Doc 7488/3 standard atmosphere), geometric altitude.
    reference = Atmosphere(altitude)
    assert atmosphere.standard_pressure_pa(altitude) == pytest.approx(
        reference.pressure[0], abs=1.0
    )
    assert atmosphere.standard_temperature_k(altitude) == pytest.approx(
        reference.temperature[0], abs=0.01
    )
    assert atmosphere.standard_density_kg_m3(altitude) == pytest.approx(
        reference.density[0], rel=1e-4
    )


@pytest.mark.parametrize("altitude", ALTITUDES_M)
def test_against_fluids(altitude: float) -> None:
    # Source: fluids (US Standard Atmosphere 1976), geometric altitude.
    assert atmosphere.standard_pressure_pa(altitude) == pytest.approx(
        ATMOSPHERE_1976(altitude).P, abs=1.0
    )


def test_constants_of_the_standard() -> None:
    # Source: US Standard Atmosphere 1976: 101325 Pa, 288.15 K, exponent 5.25588.
    assert float(atmosphere.standard_pressure_pa(0.0)) == 101325.0
    assert pytest.approx(5.25588, abs=1e-5) == atmosphere.PRESSURE_EXPONENT


def test_tropopause_pressure() -> None:
    # Source: US Standard Atmosphere 1976: 22632.1 Pa at 11 km geopotential.
    geometric = 11000.0 * atmosphere.EARTH_RADIUS_M / (atmosphere.EARTH_RADIUS_M - 11000.0)
    assert atmosphere.standard_pressure_pa(geometric) == pytest.approx(22632.1, abs=0.5)


@pytest.mark.parametrize(
    ("kpa", "height"), [(95.0, 540.3), (90.0, 988.5), (84.0, 1553.7), (80.0, 1949.0)]
)
def test_pressure_altitude(kpa: float, height: float) -> None:
    # Own arithmetic from the standard's constants: inverse of the troposphere's law.
    assert atmosphere.pressure_altitude_m(kpa * 1000.0) == pytest.approx(height, abs=1.0)


def test_geopotential_step_matters_at_3000_m() -> None:
    # The plain law takes geopotential height: 70108.5 Pa, 12.6 Pa below the geometric value.
    plain = 101325.0 * (1 - 0.0065 * 3000.0 / 288.15) ** atmosphere.PRESSURE_EXPONENT
    assert plain == pytest.approx(70108.5, abs=0.1)
    assert atmosphere.standard_pressure_pa(3000.0) - plain == pytest.approx(12.6, abs=0.2)


def test_arrays_keep_their_shape() -> None:
    out = atmosphere.standard_pressure_kpa(np.zeros((2, 3)))
    assert out.shape == (2, 3)
