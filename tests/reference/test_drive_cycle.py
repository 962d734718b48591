"""Distance and road work over a driving cycle from an outside source.

The trace is WLTC class 3b, km/h each second, as the registry package ``wltp`` 0.1.2a0 ships it
(``cycles/class3.py``, class_data_b; values of UN GTR 15). The package itself cannot be a test
requirement: it asks for a jsonschema older than ours. The regulation's checksum holds the copy.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.physics import road
from pipeline.registry import load_registry
from pipeline.runner import run_all
from pipeline.session import ChannelInfo, Session
from pipeline.vehicle import Vehicle

SPEED = np.array(
    (Path(__file__).parent / "data" / "wltc_3b_kmh.txt").read_text().split(), dtype=np.float64
)
TIME = np.arange(SPEED.size, dtype=np.float64)


def test_the_trace_is_the_regulation_s() -> None:
    # Checksum of UN GTR 15 (sum of all speeds) 83758.6; 1800 s, 131.3 km/h at most.
    assert SPEED.size == 1801
    assert SPEED.sum() == pytest.approx(83758.6, abs=0.01)
    assert SPEED.max() == 131.3


def test_distance_and_mean_speed() -> None:
    # Published: 23 266 m, 46.5 km/h on the mean.
    metres = road.distance_m(time_s=TIME, speed_kmh=SPEED)
    assert metres == pytest.approx(23266.3, abs=1.0)
    assert 3.6 * metres / 1800.0 == pytest.approx(46.5, abs=0.05)


@pytest.mark.parametrize(
    ("begin", "end", "metres"),
    [(0, 589, 3094.5), (589, 1022, 4755.9), (1022, 1477, 7161.7), (1477, 1800, 8254.1)],
)
def test_distance_of_each_part(begin: int, end: int, metres: float) -> None:
    part = slice(begin, end + 1)
    assert road.distance_m(time_s=TIME[part], speed_kmh=SPEED[part]) == pytest.approx(
        metres, abs=1.0
    )


def test_distance_as_the_metric_gives_it() -> None:
    channels = {"vehicle_speed": SPEED, "engine_speed": 800.0 + 20.0 * SPEED}
    info = {
        name: ChannelInfo(unit=unit, column=name, conversion="none", rows=TIME.size,
                          effective_hz=1.0)
        for name, unit in (("vehicle_speed", "km/h"), ("engine_speed", "rpm"))
    }  # fmt: skip
    session = Session(id="cycle", time=TIME, channels=channels, info=info, vehicle=Vehicle(),
                      start_time="2026-05-01T10:00:00", start_time_source="log")  # fmt: skip
    registry = load_registry()
    only = {"drive_summary": registry.analyses["drive_summary"]}
    metrics = run_all(session, replace(registry, analyses=only))["drive_summary"].metrics
    assert metrics["distance_km"].value == pytest.approx(23.2663, rel=1e-3)


def test_work_over_the_cycle_closes() -> None:
    # The cycle begins and ends at rest, so that accelerating and braking cancel: what remains is
    # rolling, m g c s, and air, 1/2 rho A times the integral of v^3, by another rule (Simpson).
    car = {"mass_kg": 1400.0, "rolling_resistance": 0.012, "drag_area_m2": 0.65,
           "air_density_kg_m3": 1.2}  # fmt: skip
    fine = np.linspace(0.0, 1800.0, 18001)
    speed = np.interp(fine, TIME, SPEED) / 3.6
    acceleration = np.diff(speed) / np.diff(fine)
    middle = 0.5 * (speed[1:] + speed[:-1])
    work = float(
        (road.power_w(speed_m_s=middle, acceleration_m_s2=acceleration, **car) * 0.1).sum()
    )
    a, b = SPEED[:-1] / 3.6, SPEED[1:] / 3.6
    cubes = float(((a**3 + 4.0 * (0.5 * (a + b)) ** 3 + b**3) / 6.0).sum())
    assert work == pytest.approx(
        1400.0 * 9.80665 * 0.012 * 23266.3 + 0.5 * 1.2 * 0.65 * cubes, rel=1e-3
    )
