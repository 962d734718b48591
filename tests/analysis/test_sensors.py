"""Sensor faults: the right channel and mode in simulated runs, and silence in healthy ones."""

import pytest

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.faults import FAULTS
from fixtures.simulate import simulate
from pipeline.registry import Registry, load_registry
from pipeline.results import Finding
from tests.judge.bridge import judge_run

ALL = load_registry()
ONLY = Registry(ALL.facts, {"sensors": ALL.analyses["sensors"]})


def findings(*faults, seed=1) -> list[Finding]:
    run = simulate(draw_car(seed), mixed_drive(seed, 14.0), faults, 7)
    return judge_run(run, ONLY, strict=True).findings


@pytest.mark.parametrize(
    ("name", "mode", "channels"),
    [
        ("sensor_fault_ground_shift", "ground_shift",
         {"coolant_temperature", "intake_air_temperature"}),
        ("sensor_fault_swapped", "swapped", {"coolant_temperature", "intake_air_temperature"}),
        ("sensor_fault_reference_lost", "reference_lost",
         {"manifold_pressure", "throttle_position"}),
        ("sensor_fault_dead", "dead", {"vehicle_speed"}),
        ("sensor_fault_slow", "slow", {"lambda"}),
        ("sensor_fault_hose", "scale", {"manifold_pressure"}),
    ],
)  # fmt: skip
def test_names_channel_and_mode(name, mode, channels):
    found = findings(FAULTS[name](0.8))
    assert any(f.mode == mode and set(f.channels) == channels for f in found)


def test_pressure_sensor_saturated_in_boost_means_stop():
    found = [f for f in findings(FAULTS["sensor_fault_saturated"](0.8)) if f.mode == "saturated"]
    assert [f.severity for f in found] == ["stop"]
    assert found[0].step == 0
    assert found[0].evidence["flat_at"].unit == "kPa"


def test_healthy_drive_raises_nothing():
    assert findings() == []
