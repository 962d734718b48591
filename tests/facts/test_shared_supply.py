"""Sensors on one supply: told where it goes, not where a driver lifts or one wire breaks."""

import numpy as np
import pytest

from pipeline.facts._shared_supply import supply_lost_rows

HZ = 20
TIME = np.arange(0.0, 120.0, 1.0 / HZ)
RUNNING = np.ones(TIME.size, dtype=bool)
NAMES = {"manifold_pressure", "throttle_position", "oil_pressure", "fuel_pressure"}


def drive() -> dict[str, np.ndarray]:
    """A foot that goes down and off every ten seconds, and what it moves."""
    foot = np.where(TIME % 10.0 < 6.0, 25.0, 0.0)
    wave = np.sin(0.8 * TIME)
    return {
        "manifold_pressure": np.where(foot > 0.0, 75.0, 22.0) + wave,
        "throttle_position": foot + (foot > 0.0) * wave,
        "oil_pressure": 350.0 + 5.0 * wave,
        "fuel_pressure": 300.0 + 3.0 * wave,
    }


def put(values, ends, begin=43.0, end=48.5):
    inside = np.arange(TIME.size) >= begin * HZ
    inside[round(min(end, 120.0) * HZ) :] = False
    return {n: np.where(inside, ends.get(n, x), x) for n, x in values.items()}


@pytest.mark.parametrize(
    "ends",
    [
        {"manifold_pressure": 10.0, "throttle_position": 0.0, "oil_pressure": 0.0,
         "fuel_pressure": 0.0},
        {"manifold_pressure": 300.0, "throttle_position": 100.0, "oil_pressure": 1000.0},
        {"oil_pressure": -30.0, "fuel_pressure": -30.0},
        {"manifold_pressure": 3.0, "throttle_position": -4.0},
        {"manifold_pressure": 10.0, "throttle_position": 0.0},  # 11 kPa below any other
    ],
)  # fmt: skip
@pytest.mark.parametrize("end", [45.0, 200.0])
def test_sensors_that_go_to_one_end_at_once_lost_what_they_share(ends, end):
    rows = supply_lost_rows(TIME, put(drive(), ends, end=end), RUNNING)
    assert set(rows) == set(ends)
    for mask in rows.values():
        assert TIME[mask][[0, -1]] == pytest.approx([43.0, min(end, 120.0) - 1.0 / HZ], abs=0.06)


@pytest.mark.parametrize(
    "ends",
    [
        {},  # the driver lifts
        {"manifold_pressure": 10.0},  # one wire
        {"oil_pressure": 0.0},
        {"manifold_pressure": 14.0, "throttle_position": 0.0},  # the deepest lift of the drive
        {"throttle_position": 100.0, "oil_pressure": 420.0},
    ],
)
def test_one_wire_or_a_foot_is_no_supply(ends):
    assert supply_lost_rows(TIME, put(drive(), ends, end=45.0), RUNNING) == {}


def test_two_wires_that_break_at_their_own_time_are_no_supply():
    values = put(
        put(drive(), {"oil_pressure": 0.0}, 20.0, 24.0), {"fuel_pressure": 0.0}, 22.0, 26.0
    )
    assert supply_lost_rows(TIME, values, RUNNING) == {}


def test_an_engine_that_stops_loses_no_supply():
    running = TIME < 43.0
    values = put(drive(), {"oil_pressure": 0.0, "fuel_pressure": 0.0}, 43.0, 200.0)
    assert supply_lost_rows(TIME, values, running) == {}


@pytest.mark.parametrize(
    ("channels", "told"),
    [
        (("manifold_pressure", "throttle_position", "oil_pressure", "fuel_pressure"), True),
        (("oil_pressure", "fuel_pressure"), True),
        (("manifold_pressure", "throttle_position", "oil_pressure"), True),
        (("oil_pressure",), False),
        (("manifold_pressure", "throttle_position"), False),  # a foot: judged elsewhere
    ],
)
@pytest.mark.parametrize("factor", [0.8, 0.6, 1.25])
def test_readings_that_jump_by_one_factor_and_back_at_once_share_a_supply(channels, told, factor):
    values = drive()
    sagged = {n: factor * values[n] for n in channels}
    rows = supply_lost_rows(TIME, put(values, sagged, begin=41.0, end=53.0), RUNNING)
    assert set(rows) == (set(channels) if told else set())
    for mask in rows.values():
        assert TIME[mask][[0, -1]] == pytest.approx([41.0, 53.0 - 1.0 / HZ], abs=0.06)


def test_a_rail_and_a_manifold_that_follow_a_foot_share_nothing():
    values = drive()
    values["fuel_pressure"] = 225.0 + values["manifold_pressure"]  # a referenced regulator
    values["oil_pressure"] = 300.0 + np.where(values["throttle_position"] > 10.0, 80.0, 0.0)
    lagged = {n: np.convolve(x, np.full(9, 1 / 9), "same") for n, x in values.items()}
    assert supply_lost_rows(TIME, lagged, RUNNING) == {}
