"""Sensor faults: the right channel and mode in simulated runs, and silence in healthy ones."""

from types import SimpleNamespace

import numpy as np
import pytest

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.faults import FAULTS
from fixtures.simulate import simulate
from pipeline.analysis.sensors import comes_back, slow_lambda
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


@pytest.mark.parametrize("noise", [0.0, 0.003])
@pytest.mark.parametrize(
    ("lag", "back_s", "once_s", "found"),
    [
        (0.3, 0.8, 0.8, True),
        (0.3, 0.1, 0.1, False),
        (0.1, 0.8, 0.8, False),  # a film that fills again
        (0.3, 0.8, 0.1, False),  # a leak: in load it is back at once
    ],
)
def test_a_doubtful_lag_is_believed_where_the_reading_returns_as_slowly_from_its_end(
    lag, back_s, once_s, found, noise
):
    time = np.arange(0.0, 60.0, 0.04)
    since = time % 10.0 - 3.0  # fuel is cut for three seconds, and back for seven
    fall_s = np.where(time > 50.0, once_s, back_s)
    # What burnt takes 0.8 s through the pipe, during which the reading rests on its noisy end.
    reading = 1.0 + 0.5 * np.where(since < 0.8, 1.0, np.exp(-(since - 0.8) / fall_s))
    reading += np.random.default_rng(1).normal(0.0, noise, time.size)
    mixture = SimpleNamespace(
        reading=reading, cut=since < 0.0, high_limit=reading.max(), update_s=0.04
    )
    back = comes_back(time, mixture)
    assert back[:-1] == pytest.approx(back_s, abs=0.09)
    delay = SimpleNamespace(lag_s=lag, sd=(0.2, 0.02, 0.2))
    suspects = slow_lambda(time, mixture, delay)
    assert [s.mode for s in suspects] == (["slow"] if found else [])
