"""Air, filling, fuel for it: registry libraries and textbook problems."""

import psychrolib
import pytest

from pipeline.physics import air

psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize(
    ("pascal", "celsius", "humidity"),
    [
        (101325, 20, 0.5), (101325, 15, 0.0), (101325, 25, 0.0),
        (100000, 25, 0.5), (100000, 35, 0.8), (83527, 25, 0.3),
    ],
)  # fmt: skip
def test_moist_density_against_psychrolib(pascal: float, celsius: float, humidity: float) -> None:
    # Source: psychrolib (ASHRAE Handbook Fundamentals 2017, ch. 1), moist air as ideal gases.
    ratio = psychrolib.GetHumRatioFromRelHum(celsius, humidity, pascal)
    expected = psychrolib.GetMoistAirDensity(celsius, ratio, pascal)
    got = air.moist_density(pressure_pa=pascal, temperature_c=celsius, relative_humidity=humidity)
    assert got == pytest.approx(expected, rel=5e-4)


@pytest.mark.parametrize(
    ("pascal", "celsius", "humidity", "expected"),
    [
        (101325, 20, 0.5, 1.19931), (101325, 25, 0.0, 1.18430), (100000, 35, 0.8, 1.11162),
        (83527, 25, 0.3, 0.97203),
    ],
)  # fmt: skip
def test_moist_density_against_real_gas(
    pascal: float, celsius: float, humidity: float, expected: float
) -> None:
    # Source: CIPM-2007 equation (Picard and others, Metrologia 45 (2008) 149), evaluated apart.
    got = air.moist_density(pressure_pa=pascal, temperature_c=celsius, relative_humidity=humidity)
    assert got == pytest.approx(expected, rel=6e-4)


@pytest.mark.parametrize("celsius", [1.0, 10.0, 20.0, 30.0, 40.0])
def test_saturation_pressure_against_psychrolib(celsius: float) -> None:
    # Source: psychrolib.GetSatVapPres; 4246.03 Pa at 30 degC.
    assert air.saturation_pressure_pa(celsius) == pytest.approx(
        psychrolib.GetSatVapPres(celsius), rel=1e-5
    )


def test_filling_of_one_cylinder_and_flow() -> None:
    # Own arithmetic from the ideal gas law: 100 kPa, 313.15 K, 0.5 l, efficiency 0.85.
    mass = air.cylinder_air_kg(
        pressure_pa=1e5, temperature_k=313.15, cylinder_volume_m3=0.5e-3,
        volumetric_efficiency=0.85,
    )  # fmt: skip
    assert mass * 1000 == pytest.approx(0.472802, rel=1e-5)
    flow = air.engine_air_flow_kg_s(
        pressure_pa=1e5, temperature_k=313.15, displacement_m3=2e-3, speed_rpm=3000,
        volumetric_efficiency=0.85,
    )  # fmt: skip
    assert flow * 1000 == pytest.approx(47.2802, rel=1e-5)


def test_boosted_flow_and_its_fuel() -> None:
    # Own arithmetic: 200 kPa, 323.15 K, efficiency 0.95, 2.0 l at 5500 rpm; lambda 0.80 of 14.7.
    flow = air.engine_air_flow_kg_s(
        pressure_pa=2e5, temperature_k=323.15, displacement_m3=2e-3, speed_rpm=5500,
        volumetric_efficiency=0.95,
    )  # fmt: skip
    assert flow * 1000 == pytest.approx(187.760, rel=1e-5)
    fuel = air.fuel_flow_kg_s(air_flow_kg_s=flow, lambda_=0.80, stoichiometric_ratio=14.7)
    assert fuel * 1000 == pytest.approx(15.9660, rel=1e-5)


def test_volumetric_efficiency_definition() -> None:
    # Source: Heywood, ch. 2 (from memory): 2 m / (rho Vd N) with N in turns a second.
    got = air.volumetric_efficiency(
        air_flow_kg_s=0.060, density_kg_m3=1.184, displacement_m3=2e-3, speed_rpm=3000
    )
    assert got == pytest.approx(1.01351, rel=1e-5)


def test_textbook_turbocharger_problem() -> None:
    # Source: Young and Freedman, University Physics, 12th ed., ch. 19, turbochargers and
    # intercoolers: 575 cm3 at 1.45e5 Pa, 15 degC holds 1.02 g, 43.6 % more than at 1.01e5 Pa.
    cooled = air.cylinder_air_kg(
        pressure_pa=1.45e5, temperature_k=288.15, cylinder_volume_m3=575e-6,
        volumetric_efficiency=1.0,
    )  # fmt: skip
    plain = air.cylinder_air_kg(
        pressure_pa=1.01e5, temperature_k=288.15, cylinder_volume_m3=575e-6,
        volumetric_efficiency=1.0,
    )  # fmt: skip
    # The book takes 1.23 kg/m3 at 15 degC, 0.7 % above the ideal gas.
    assert cooled * 1000 == pytest.approx(1.02, abs=0.015)
    assert cooled / plain == pytest.approx(1.4356, abs=1e-4)
