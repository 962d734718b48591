"""What a reading's own level may and may not prove: a held wastegate, a coarse thermometer."""

import numpy as np
import pytest

from pipeline.analysis._ceiling import saturated
from pipeline.analysis._levels import held, noisy
from pipeline.analysis._pressure_scale import offset_by_mixture
from pipeline.analysis._rest_pressure import at_rest
from pipeline.analysis._siblings import supply_gone, supply_lost

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


@pytest.mark.parametrize(
    ("runs", "rounds_s", "wander", "found"),
    [(3, 0.0, 0.0, ["saturated"]), (2, 0.0, 0.0, []), (3, 0.3, 0.0, []), (3, 0.0, 0.8, [])],
    ids=["stopped dead thrice", "twice is luck", "a flap rounds", "a flap drifts with speed"],
)
def test_a_level_that_stops_the_reading_dead_time_and_again_is_the_end_of_its_range(
    runs: int, rounds_s: float, wander: float, found: list[str]
) -> None:
    """The noise of the wire lies on the clip, and a slight excess hardly leans the mixture."""
    rng = np.random.default_rng(6)
    time = np.arange(0.0, 60.0 + 40.0 * runs, 1.0 / RATE_HZ)
    since = np.where((time > 30.0) & (time < 10.0 + 40.0 * runs), (time - 30.0) % 40.0, 0.0)
    in_run = np.where(since < 5.0, since, 0.0)
    plateau = 150.0 + wander * (time // 40.0 - 1.0)
    pressure = np.where(in_run > 0.0, np.minimum(90.0 + 30.0 * in_run, plateau), 60.0)
    late = np.clip(in_run - 2.0, 0.0, None)
    if rounds_s:
        pressure = np.where(in_run > 2.0 - 2.0 * rounds_s, plateau - 60.0 * rounds_s
                            * np.exp(-(late + 2.0 * rounds_s) / rounds_s), pressure)  # fmt: skip
    values = {
        "engine_speed": 2500.0 + 500.0 * in_run,
        "manifold_pressure": np.round(pressure + 0.25 * rng.standard_normal(time.size), 1),
    }
    values["time"] = time
    assert modes(values) == found


def test_one_step_of_the_logs_resolution_is_not_noise() -> None:
    rng = np.random.default_rng(3)
    time = np.arange(0.0, 300.0, 1.0 / RATE_HZ)
    quiet = np.ones(time.size, dtype=bool)
    flicker = np.round(89.5 + 0.12 * rng.standard_normal(time.size))
    assert noisy(time, {"coolant_temperature": flicker}, quiet) == []
    loud = np.round(89.5 + 2.5 * rng.standard_normal(time.size))
    assert [s.mode for s in noisy(time, {"coolant_temperature": loud}, quiet)] == ["noise"]


@pytest.mark.parametrize(("held_s", "found"), [(0.0, []), (170.0, ["stuck"])])
def test_a_cold_plateau_that_is_left_as_it_came_is_a_thermostat_and_no_stuck_sensor(
    held_s: float, found: list[str]
) -> None:
    """Water on a leaking thermostat rests and goes on; a wire that is back shows where it went."""
    time = np.arange(0.0, 700.0, 1.0 / RATE_HZ)
    water = np.interp(time, [0.0, 300.0, 470.0, 700.0], [15.0, 39.0, 39.1 + held_s / 20.0, 55.0])
    read = np.where((time > 300.0) & (time < 470.0), 39.0 + 0.1 * np.sin(time / 9.0), water)
    values = {"coolant_temperature": np.round(2.0 * read) / 2.0,
              "engine_speed": 2000.0 + 800.0 * np.sin(time / 7.0)}  # fmt: skip
    assert [s.mode for s in held(time, values, time > 30.0)] == found


def test_water_that_settles_early_is_no_stuck_reading_and_a_still_one_is() -> None:
    """A thermostat stuck open holds the water at 70 degC within half a degree, but never still."""
    rng = np.random.default_rng(6)
    time = np.arange(0.0, 700.0, 1.0 / RATE_HZ)
    climb = np.minimum(40.0 + 0.06 * time, 70.25)
    water = climb + np.where(time > 500.0, 0.25 * np.sin(2.0 * np.pi * time / 90.0), 0.0)
    values = {"engine_speed": 2000.0 + 800.0 * np.sin(2.0 * np.pi * time / 40.0)}
    running = np.ones(time.size, dtype=bool)

    def found(reading: np.ndarray) -> list[str]:
        digits = np.round(2.0 * (reading + 0.1 * rng.standard_normal(time.size))) / 2.0
        return [s.mode for s in held(time, {**values, "coolant_temperature": digits}, running)]

    assert found(water) == []
    assert found(np.minimum(40.0 + 0.06 * time, 64.0)) == ["stuck"]


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
    alone = at_rest(time, {"barometric_pressure": np.full(100, rest)}, time < 20.0, None)
    assert [(s.channels, s.mode) for s in alone] == [(("barometric_pressure",), "offset")] * told


@pytest.mark.parametrize(
    ("rest", "barometer", "by_mixture", "told"),
    [(101.5, 94.6, 6.5, ["manifold"]), (101.5, 94.6, 0.5, ["manifold", "barometric"]),
     (108.0, 99.0, 0.0, ["manifold"]), (96.0, 109.0, 0.0, ["barometric"]),
     (95.0, 60.0, 0.0, ["barometric"]), (95.0, 60.0, None, ["barometric"]),
     (66.0, 97.0, None, ["manifold"]), (101.0, 85.0, None, ["barometric"]),
     (84.0, 80.5, 0.0, ["manifold", "barometric"]),
     (104.4, None, 9.0, ["manifold"]), (104.4, None, 1.0, []), (102.0, None, 9.0, [])],
)  # fmt: skip
def test_which_of_two_pressures_is_wrong_is_told_by_the_air_there_is_and_by_the_mixture(
    rest: float, barometer: float | None, by_mixture: float | None, told: list[str]
) -> None:
    time = np.arange(100.0)
    values = {"manifold_pressure": np.full(100, rest)}
    if barometer is not None:
        values["barometric_pressure"] = np.full(100, barometer)
    bins = None
    if by_mixture is not None:  # fuel for the pressure read, air for the true one
        read = np.linspace(28.0, 160.0, 20)
        bins = (read, np.log(1.0 - by_mixture / read), np.ones(20))
    found = at_rest(time, values, time < 20.0, None, bins)
    assert [n.removesuffix("_pressure") for s in found for n in s.channels] == told


@pytest.mark.parametrize(("bent", "mode"), [(True, "scale"), (False, "offset")])
def test_a_pressure_that_bends_all_fuel_alike_is_off_in_proportion(bent: bool, mode: str) -> None:
    time = np.arange(100.0)
    values = {"manifold_pressure": np.full(100, 80.0), "barometric_pressure": np.full(100, 100.0)}
    read = np.linspace(28.0, 130.0, 20)
    seen = np.full(20, 0.21) if bent else np.log(1.0 + 20.0 / read)
    found = at_rest(time, values, time < 20.0, None, (read, seen, np.ones(20)))
    assert [(s.channels, s.mode) for s in found] == [(("manifold_pressure",), mode)]


@pytest.mark.parametrize("offset", [-7.0, 0.0, 5.0, 9.0])
def test_the_mixture_shows_by_how_much_its_pressure_is_off(offset: float) -> None:
    """Fuel for the pressure read, air for the true one: lambda = constant * (p - offset) / p."""
    read = np.linspace(28.0, 160.0, 20)
    seen = np.log(1.04 * (read - offset) / read)
    assert abs(offset_by_mixture((read, seen, np.ones(20))) - offset) < 0.3


@pytest.mark.parametrize(("closed_pct", "drop"), [(12.0, 0.3), (3.0, 0.3), (3.0, 0.5)])
def test_a_supply_that_sags_shows_through_a_coarse_throttle(closed_pct: float, drop: float) -> None:
    time = np.arange(0.0, 120.0, 1.0 / RATE_HZ)
    whole = np.where((time // 1.5) % 4 == 3, 1.0 - drop, 1.0)
    foot = closed_pct + 8.0 * (np.sin(time / 9.0) > 0.0)
    values = {"manifold_pressure": np.round((30.0 + 2.0 * foot) * whole, 1),
              "throttle_position": np.round(foot * whole / 0.4) * 0.4}  # fmt: skip
    assert [s.mode for s in supply_lost(time, values, time > 1.0)] == ["reference_lost"]
    values["throttle_position"] = np.round(foot / 0.4) * 0.4
    assert supply_lost(time, values, time > 1.0) == []


@pytest.mark.parametrize(("swing_kmh", "found"), [(0.2, []), (40.0, ["stuck"])])
def test_a_car_that_holds_its_speed_uphill_holds_its_engines(
    swing_kmh: float, found: list[str]
) -> None:
    time = np.arange(0.0, 120.0, 1.0 / RATE_HZ)
    noise = np.random.default_rng(8).standard_normal((2, time.size))
    hill = np.sin(2.0 * np.pi * time / 60.0)
    values = {"engine_speed": 2000.0 + 2.0 * noise[0], "manifold_pressure": 70.0 + 30.0 * hill,
              "vehicle_speed": 75.0 + swing_kmh * hill + 0.05 * noise[1]}  # fmt: skip
    assert [s.mode for s in held(time, values, np.ones(time.size, dtype=bool))] == found


@pytest.mark.parametrize(("kpa", "told"), [(300.0, []), (2.0, ["dead"])])
def test_a_rail_that_stands_is_its_regulator_s_and_one_at_nothing_its_sensor_s(
    kpa: float, told: list[str]
) -> None:
    """A regulator without its hose holds 300 kPa against the outside whatever the manifold does."""
    time = np.arange(0.0, 600.0, 1.0 / RATE_HZ)
    rng = np.random.default_rng(11)
    values = {
        "engine_speed": 2500.0 + 900.0 * np.sin(time / 20.0),
        "manifold_pressure": 95.0 + 60.0 * np.sin(time / 7.0),
        "fuel_pressure": kpa + rng.normal(0.0, 1.2, time.size),
    }
    assert [s.mode for s in held(time, values, np.ones(time.size, dtype=bool))] == told


@pytest.mark.parametrize(("pulls", "mode"), [(True, ["open"]), (False, [])])
def test_lambda_at_its_lean_end_while_air_is_drawn_in_and_burnt_has_no_sensor(
    pulls: bool, mode: list[str]
) -> None:
    time = np.arange(0.0, 300.0, 1.0 / RATE_HZ)
    pulling = (time > 60.0) & (time < 75.0) | (time > 200.0) & (time < 215.0) & pulls
    flow = np.where(pulling, 60.0, 5.0) + np.sin(time)
    values = {"lambda": np.where(time > 100.0, 1.6, 1.0 + 0.02 * np.sin(3.0 * time)),
              "mass_air_flow": flow, "engine_speed": 900.0 + 30.0 * flow}  # fmt: skip
    found = held(time, values, np.ones(time.size, dtype=bool))
    assert [s.mode for s in found if "lambda" in s.channels] == mode


@pytest.mark.parametrize(
    ("alive", "fills", "mode"), [(True, False, ["stuck"]), (True, True, []), (False, False, [])]
)
def test_a_vacuum_that_stays_when_the_engine_stands_is_a_stuck_reading(
    alive: bool, fills: bool, mode: list[str]
) -> None:
    time = np.arange(0.0, 120.0, 0.1)
    running = time < 60.0
    pressure = np.where(running & (time < 30.0), 45.0 + 8.0 * np.sin(time), 31.4)
    pressure = np.where(~running & fills, 98.0, pressure)
    volts = np.where(running | alive, 12.5 + 0.1 * np.sin(7.0 * time), 12.5)
    values = {"manifold_pressure": pressure, "battery_voltage": volts}
    found = at_rest(time, values, ~running & (time > 64.0), None)
    assert [s.mode for s in found] == mode
    assert all(s.start_s == pytest.approx(30.0, abs=1.0) for s in found)
