"""Constants the physics uses, against the registry's unit library and NIST SP 811."""

import pint
import pytest

from pipeline.physics import air, atmosphere, knock, road

Q = pint.UnitRegistry().Quantity


def test_atmosphere_and_gravity() -> None:
    assert Q(1, "atm").to("Pa").magnitude == atmosphere.SEA_LEVEL_PRESSURE_PA
    assert Q(1, "atm").to("kPa").magnitude == knock.KPA_PER_ATM
    assert Q(1, "standard_gravity").to("m/s**2").magnitude == atmosphere.STANDARD_GRAVITY_M_S2
    assert atmosphere.STANDARD_GRAVITY_M_S2 == road.STANDARD_GRAVITY_M_S2


def test_speed_and_kelvin() -> None:
    assert Q(1, "m/s").to("km/h").magnitude == pytest.approx(road.KMH_PER_M_S)
    assert Q(0, "degC").to("kelvin").magnitude == air.KELVIN


def test_gas_constant_of_dry_air() -> None:
    # Molar gas constant over the molar mass of dry air (28.965 g/mol), CODATA through pint.
    molar = Q(1, "molar_gas_constant").to("J/mol/K").magnitude
    assert molar / 0.0289647 == pytest.approx(air.GAS_CONSTANT_DRY_AIR, rel=2e-4)
    assert molar / 0.018015 == pytest.approx(air.GAS_CONSTANT_WATER_VAPOUR, rel=2e-4)
