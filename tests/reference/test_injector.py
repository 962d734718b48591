"""Injector relations against worked values."""

import pytest

from pipeline.physics import injector


@pytest.mark.parametrize(
    ("difference", "factor"),
    [(200.0, 0.81650), (250.0, 0.91287), (350.0, 1.08012), (400.0, 1.15470)],
)
def test_flow_grows_with_the_root_of_pressure(difference: float, factor: float) -> None:
    # Source: orifice flow (Bernoulli), own arithmetic over 300 kPa.
    got = injector.flow_factor(difference_kpa=difference, rated_kpa=300.0)
    assert got == pytest.approx(factor, rel=1e-5)


def test_rated_flow_at_another_pressure() -> None:
    # Own arithmetic: 440 cm3/min at 300 kPa gives 508.07 at 400 kPa.
    got = 440.0 * injector.flow_factor(difference_kpa=400.0, rated_kpa=300.0)
    assert got == pytest.approx(508.07, rel=1e-5)


def test_unreferenced_regulator_in_boost() -> None:
    # Own arithmetic: 100 kPa of boost takes 18.35 % of the flow (359.26 of 440 cm3/min).
    got = injector.unreferenced_factor(
        manifold_kpa=200.0, barometer_kpa=100.0, rail_gauge_kpa=300.0
    )
    assert 440.0 * got == pytest.approx(359.26, rel=1e-5)
    even = injector.unreferenced_factor(
        manifold_kpa=100.0, barometer_kpa=100.0, rail_gauge_kpa=300.0
    )
    assert even == pytest.approx(1.0)


@pytest.mark.parametrize(("ms", "rpm", "duty"), [(10.0, 6000.0, 50.0), (12.0, 6500.0, 65.0)])
def test_duty_by_definition(ms: float, rpm: float, duty: float) -> None:
    assert injector.duty_pct(pulse_width_ms=ms, speed_rpm=rpm) == pytest.approx(duty)


@pytest.mark.parametrize(("rpm", "ms"), [(850, 141.18), (2000, 60.0), (3000, 40.0), (6000, 20.0)])
def test_cycle_time(rpm: float, ms: float) -> None:
    assert injector.cycle_time_ms(rpm) == pytest.approx(ms, abs=0.01)


def test_mass_per_pulse() -> None:
    # Own arithmetic: 440 cm3/min of 0.745 g/cm3, 10 ms less 1 ms dead time: 49.17 mg.
    got = injector.mass_per_pulse_mg(
        pulse_width_ms=10.0, dead_time_ms=1.0, flow_cc_min=440.0, density_kg_m3=745.0
    )
    assert got == pytest.approx(49.17, rel=1e-4)


def test_dead_time_is_held_outside_its_table() -> None:
    got = injector.dead_time_ms(
        volts=[6.0, 12.0, 20.0], table_volts=[8.0, 16.0], table_ms=[2.0, 1.0]
    )
    assert got.tolist() == [2.0, 1.5, 1.0]
