"""Road load, gearing and work against worked values."""

import numpy as np
import pytest

from pipeline.physics import road

CAR = {"mass_kg": 1400.0, "rolling_resistance": 0.012, "drag_area_m2": 0.65,
       "air_density_kg_m3": 1.2}  # fmt: skip


@pytest.mark.parametrize(
    ("kmh", "newton", "kilowatt"),
    [
        (50, 239.98, 3.333), (80, 357.34, 7.941), (100, 465.68, 12.935), (120, 598.09, 19.936),
        (130, 673.32, 24.314),
    ],
)  # fmt: skip
def test_flat_road(kmh: float, newton: float, kilowatt: float) -> None:
    # Own arithmetic from the sum of forces (Gillespie ch. 4, from memory).
    speed = kmh / 3.6
    force = road.force_n(speed_m_s=speed, acceleration_m_s2=0.0, **CAR)
    assert force == pytest.approx(newton, rel=1e-4)
    power = road.power_w(speed_m_s=speed, acceleration_m_s2=0.0, **CAR)
    assert power / 1000 == pytest.approx(kilowatt, rel=1e-3)


def test_grade_and_acceleration() -> None:
    # Own arithmetic, same car: 5 % at 80 km/h, and 1 m/s2 at 60 km/h.
    grade = road.force_n(speed_m_s=80 / 3.6, acceleration_m_s2=0.0, grade=0.05, **CAR)
    assert grade == pytest.approx(1042.75, rel=1e-4)
    pull = road.power_w(speed_m_s=60 / 3.6, acceleration_m_s2=1.0, **CAR)
    assert pull / 1000 == pytest.approx(27.885, rel=1e-4)


def test_speed_in_gear() -> None:
    # Own arithmetic: 3000 rpm, gear 0.8, final drive 4.0, radius 0.31 m: 109.563 km/h.
    speed = road.speed_m_s(engine_rpm=3000, gear=0.8, final_drive=4.0, tyre_radius_m=0.31)
    assert speed * 3.6 == pytest.approx(109.563, rel=1e-5)


def test_power_and_mean_effective_pressure() -> None:
    # By definition: 300 N m at 4000 rpm is 125.664 kW; in 2.0 l it is 18.850 bar.
    assert road.engine_power_w(torque_n_m=300, speed_rpm=4000) == pytest.approx(125664.0, rel=1e-5)
    assert road.mean_effective_pressure_pa(torque_n_m=300, displacement_m3=2e-3) == pytest.approx(
        18.850e5, rel=1e-4
    )


def test_distance_of_a_triangle_and_a_gap() -> None:
    time = np.arange(0.0, 11.0)
    speed = np.where(time == 5.0, np.nan, 36.0)
    assert road.distance_m(time_s=time, speed_kmh=speed) == pytest.approx(100.0)
