"""What a reading's own level may and may not prove: a held wastegate, a coarse thermometer."""

import numpy as np
import pytest

from pipeline.analysis._levels import held, noisy, saturated
from pipeline.analysis._siblings import at_rest, supply_gone

RATE_HZ = 20.0


def pull(rng: np.random.Generator, top: float = 170.0) -> dict[str, np.ndarray]:
    """Two minutes of cruise with a full-throttle run in it whose pressure rises, then lies flat."""
    time = np.arange(0.0, 120.0, 1.0 / RATE_HZ)
    in_run = np.clip(time - 60.0, 0.0, 10.0) * (time < 70.0)
    pressure = np.where(in_run > 0, np.minimum(90.0 + 30.0 * in_run, top + 40.0), 60.0)
    return {
        "time": time,
        "engine_speed": 2500.0 + 350.0 * in_run + 3.0 * rng.standard_normal(time.size),
        "true_pressure": pressure,
        "manifold_pressure": np.minimum(pressure, top) + 0.25 * rng.standard_normal(time.size),
        "lambda_target": np.full(time.size, 0.9),
        "lambda": 0.9 * (1.0 + 0.01 * rng.standard_normal(time.size)),
    }


def modes(values: dict[str, np.ndarray], range_kpa: float | None = None) -> list[str]:
    time = values["time"]
    running = np.ones(time.size, dtype=bool)
    return [s.mode for s in saturated(time, values, running, 99.0, range_kpa)]


@pytest.mark.parametrize("step", [0.1, 1.0])
def test_a_wastegate_that_holds_well_is_no_sensor_at_its_end(step: float) -> None:
    values = pull(np.random.default_rng(1))
    values["manifold_pressure"] = np.round(values["manifold_pressure"] / step) * step
    assert modes(values) == []
    assert modes(values, range_kpa=250.0) == []


def test_a_clipped_pressure_is_told_by_its_range_its_stillness_or_the_air_it_does_not_see() -> None:
    values = pull(np.random.default_rng(2))
    assert modes(values, range_kpa=170.0) == ["saturated"]

    lean = dict(values)
    unseen = values["true_pressure"] / np.minimum(values["true_pressure"], 170.0)
    lean["lambda"] = values["lambda"] * unseen
    assert modes(lean) == ["saturated"]

    clipped = dict(values)
    clipped["manifold_pressure"] = np.minimum(
        np.round(values["true_pressure"] + 0.25 * np.sin(values["time"] * 37.0), 1), 170.0
    )
    assert modes(clipped) == ["saturated"]


def test_one_step_of_the_logs_resolution_is_not_noise() -> None:
    rng = np.random.default_rng(3)
    time = np.arange(0.0, 300.0, 1.0 / RATE_HZ)
    quiet = np.ones(time.size, dtype=bool)
    flicker = np.round(89.5 + 0.12 * rng.standard_normal(time.size))
    assert noisy(time, {"coolant_temperature": flicker}, quiet) == []
    loud = np.round(89.5 + 2.5 * rng.standard_normal(time.size))
    assert [s.mode for s in noisy(time, {"coolant_temperature": loud}, quiet)] == ["noise"]


def test_a_long_run_on_the_wastegate_is_no_stuck_pressure_but_one_through_a_lift_is() -> None:
    rng = np.random.default_rng(4)
    time = np.arange(0.0, 90.0, 1.0 / RATE_HZ)
    run = (time > 30.0) & (time < 60.0)
    values = {
        "manifold_pressure": np.where(run, 180.0, 40.0 + 10.0 * np.sin(time))
        + 0.2 * rng.standard_normal(time.size),
        "engine_speed": np.where(run, 2300.0 + 90.0 * (time - 30.0), 2000.0),
        "throttle_position": np.where(run, 99.0, 12.0) + 0.1 * rng.standard_normal(time.size),
    }
    running = np.ones(time.size, dtype=bool)
    assert held(time, values, running) == []
    lifted = dict(values)
    lifted["throttle_position"] = np.where(time < 45.0, values["throttle_position"], 5.0)
    found = [s for s in held(time, lifted, running) if s.channels == ("manifold_pressure",)]
    assert [s.mode for s in found] == ["stuck"]


@pytest.mark.parametrize("closed", [0.0, 3.0])
def test_pressure_and_throttle_gone_together_have_lost_their_supply(closed: float) -> None:
    rng = np.random.default_rng(5)
    time = np.arange(0.0, 120.0, 1.0 / RATE_HZ)
    throttle = closed + 10.0 * np.maximum(np.sin(time / 5.0), 0.0) + 0.05 * rng.random(time.size)
    pressure = 35.0 + 3.0 * throttle
    gone = time > 60.0
    running = np.ones(time.size, dtype=bool)
    dead = np.where(gone, 1.0, pressure)
    both = {"manifold_pressure": dead, "throttle_position": np.where(gone, 0.0, throttle)}
    found = supply_gone(time, both, running)
    assert [(s.mode, set(s.channels)) for s in found] == [
        ("reference_lost", {"manifold_pressure", "throttle_position"})
    ]
    assert found[0].start_s == pytest.approx(60.0, abs=0.1)
    one = {"manifold_pressure": dead, "throttle_position": throttle}
    assert supply_gone(time, one, running) == []
    assert supply_gone(time, {**both, "manifold_pressure": pressure}, running) == []


def test_a_long_overrun_is_no_stuck_pressure() -> None:
    rng = np.random.default_rng(6)
    time = np.arange(0.0, 90.0, 1.0 / RATE_HZ)
    lifted = (time > 30.0) & (time < 60.0)
    values = {
        "manifold_pressure": np.where(lifted, 25.0, 50.0 + 10.0 * np.sin(time))
        + 0.2 * rng.standard_normal(time.size),
        "engine_speed": np.where(lifted, 4200.0 - 80.0 * (time - 30.0), 3000.0),
        "throttle_position": np.where(lifted, 3.0, 15.0 + 4.0 * np.sin(time)),
    }
    assert held(time, values, np.ones(time.size, dtype=bool)) == []


@pytest.mark.parametrize(("rest", "told"), [(105.5, False), (107.0, True)])
def test_air_that_no_weather_makes_is_an_offset_without_any_barometer(
    rest: float, told: bool
) -> None:
    time = np.arange(100.0)
    found = at_rest(time, {"manifold_pressure": np.full(100, rest)}, time < 20.0, None)
    assert [(s.channels, s.mode) for s in found] == [(("manifold_pressure",), "offset")] * told
