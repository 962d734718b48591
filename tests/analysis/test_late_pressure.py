"""A pressure that comes late is told by the throttle before it and the pull beside it."""

import numpy as np
import pytest

from pipeline.analysis._late_pressure import late_pressure, tip_ins
from pipeline.signals.lag import first_order

AIR_KPA = 99.0
FINE = np.arange(0.0, 200.0, 0.01)


def log(
    *, plate_s: float = 0.05, sensor_s: float = 0.02, rate_hz: float = 20.0, ramp_s: float = 0.1
):
    """Eight tip-ins; air fills the manifold in 0.1 s, what it burns pulls, a sensor shows it.

    plate_s: lag of the plate behind the logged pedal.
    """
    into = FINE % 25.0
    pedal = 12.0 + 50.0 * np.clip((into - 10.0) / ramp_s, 0.0, 1.0) * (into < 14.0)
    plate = first_order(FINE, pedal, plate_s)
    kpa = first_order(FINE, 30.0 + 68.0 * np.clip((plate - 8.0) / 45.0, 0.0, 1.0) ** 0.7, 0.1)
    pull = 8.0 * (kpa - 52.0)
    rpm = 2000.0 + np.cumsum(pull) * 0.01 - (FINE // 25.0) * 0.0
    rpm = 2000.0 + (rpm - np.interp(25.0 * (FINE // 25.0), FINE, rpm))
    pick = np.arange(0, FINE.size, round(100.0 / rate_hz))
    rng = np.random.default_rng(4)
    values = {
        "throttle_position": pedal[pick],
        "manifold_pressure": first_order(FINE, kpa, sensor_s)[pick],
        "engine_speed": rpm[pick] + rng.normal(0.0, 3.0, pick.size),
    }
    return FINE[pick], values


def told(time, values) -> list[tuple[tuple[str, ...], str]]:
    found = late_pressure(time, values, np.ones(time.size, dtype=bool), AIR_KPA)
    return [(s.channels, s.mode) for s in found]


@pytest.mark.parametrize("rate_hz", [10.0, 20.0])
@pytest.mark.parametrize(
    ("sensor_s", "slow"), [(0.02, False), (0.1, False), (0.6, True), (2.0, True)]
)
def test_a_slow_pressure_is_told_from_a_sound_one(rate_hz, sensor_s, slow):
    expected = [(("manifold_pressure",), "slow")] * slow
    assert told(*log(sensor_s=sensor_s, rate_hz=rate_hz)) == expected


def test_a_plate_that_a_controller_holds_back_delays_the_pull_as_well():
    time, values = log(plate_s=0.6)
    assert tip_ins(time, values, np.ones(time.size, dtype=bool), AIR_KPA) is not None
    assert told(time, values) == []


def test_slow_feet_and_slow_logs_tell_nothing():
    running = np.ones(FINE.size, dtype=bool)
    for time, values in (log(ramp_s=1.5, sensor_s=0.6), log(rate_hz=2.0, sensor_s=0.6)):
        assert tip_ins(time, values, running[: time.size], AIR_KPA) is None
