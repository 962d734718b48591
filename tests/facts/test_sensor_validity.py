"""The first sieve: plain faults of one channel, and healthy behaviour that is none."""

import numpy as np
import pytest

from pipeline.facts import _spikes, sensor_validity
from pipeline.session import Session, View
from pipeline.vehicle import DEFAULT_VEHICLE

RATE = 20.0


def drive(seconds: float = 400.0, seed: int = 3) -> dict[str, np.ndarray]:
    """A warm car in traffic, made of sines: everything moves, nothing is wrong."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, seconds, 1.0 / RATE)
    wave = 0.5 + 0.5 * np.sin(t / 5.0)
    return {
        "time": t,
        "engine_speed": 900.0 + 2200.0 * wave + rng.normal(0, 3, t.size),
        "manifold_pressure": 35.0 + 70.0 * wave + rng.normal(0, 0.4, t.size),
        "throttle_position": 3.0 + 60.0 * wave + rng.normal(0, 0.2, t.size),
        "vehicle_speed": np.round(50.0 + 40.0 * wave),
        "coolant_temperature": np.round(88.0 + np.sin(t / 40.0), 1),
        "intake_air_temperature": np.round(35.0 + 3.0 * np.sin(t / 60.0), 1),
        "lambda": 1.0 + rng.normal(0, 0.01, t.size),
        "battery_voltage": 14.0 + rng.normal(0, 0.03, t.size),
    }


def validity(channels: dict[str, np.ndarray]) -> sensor_validity.SensorValidity:
    data = dict(channels)
    time = data.pop("time")
    session = Session(id="s", time=time, channels=data, info={}, vehicle=DEFAULT_VEHICLE)
    view = View(session, allowed=sensor_validity.JUDGED, facts=(), resolve=lambda _name: None)
    return sensor_validity.compute(view)


def test_healthy_drive_is_believed_everywhere():
    found = validity(drive())
    assert found.faults == ()
    assert all(found.good(name).all() for name in drive() if name != "time")


@pytest.mark.parametrize(
    ("channel", "mode", "value"),
    [
        ("coolant_temperature", "open", -40.0),
        ("intake_air_temperature", "open", -40.0),
        ("coolant_temperature", "short", 150.0),
        ("intake_air_temperature", "short", 180.0),
        ("manifold_pressure", "dead", 0.0),
        ("manifold_pressure", "stuck", 101.0),
        ("lambda", "stuck", 0.99),
        ("engine_speed", "stuck", 2100.0),
        ("throttle_position", "stuck", 31.0),
        ("battery_voltage", "stuck", 13.9),
    ],
)
def test_names_channel_and_mode_from_the_moment_it_begins(channel, mode, value):
    data = drive()
    data[channel][3000:] = value
    found = validity(data)
    assert [(f.channel, f.mode) for f in found.faults] == [(channel, mode)]
    assert found.faults[0].start_s == pytest.approx(150.0, abs=1.0)
    assert not found.good(channel)[3100:].any()
    assert found.good(channel)[:2900].all()


def test_three_lone_samples_are_a_spiking_sensor_and_one_is_only_left_out():
    data = drive()
    data["coolant_temperature"][4000] = 130.0
    found = validity(data)
    assert found.faults == ()
    assert not found.good("coolant_temperature")[4000]
    data["coolant_temperature"][[3000, 5000]] = 20.0
    assert validity(data).modes("coolant_temperature") == ("spike",)


def test_intake_leap_at_an_engine_stop_is_left_out_but_no_fault():
    # as in the open logs of a stop-start car: 41 degC running, 150 within 2 s of the stop
    data = drive()
    stop = slice(4000, 4100)
    data["engine_speed"][stop] = 0.0
    data["intake_air_temperature"][stop] = 150.0
    after = np.arange(4100, 4400)
    data["intake_air_temperature"][after] = 40.0 + 110.0 * np.exp(-(after - 4100) / RATE / 4.0)
    found = validity(data)
    assert found.faults == ()
    assert not found.good("intake_air_temperature")[4005]
    assert found.good("intake_air_temperature")[4399]


@pytest.mark.parametrize(("after", "modes"), [(-22.5, ()), (-19.0, ("stuck",))])
def test_air_of_a_cold_bay_may_stand_and_goes_on_by_one_step(after, modes):
    data = drive()
    flicker = -23.0 + 0.5 * (np.arange(data["time"].size) // 5 % 2)
    data["intake_air_temperature"] = flicker
    data["intake_air_temperature"][3000:6000] = -23.0  # 150 s, the engine working
    data["intake_air_temperature"][6000:] = flicker[6000:] - flicker[6000] + after
    assert tuple(f.mode for f in validity(data).faults) == modes


@pytest.mark.parametrize("climbs", [True, False])
def test_hot_charge_climbs_and_moves_where_a_shorted_wire_leaps_and_stays(climbs):
    # no cooler at high boost: up to 150 degC, falling between the pulls
    data = drive()
    t = data["time"]
    hot = 95.0 + 50.0 * np.sin(2 * np.pi * t / 60.0)
    data["intake_air_temperature"] = hot if climbs else np.where(t > 150.0, 150.0, 60.0)
    assert validity(data).modes("intake_air_temperature") == (() if climbs else ("short",))


@pytest.mark.parametrize(("still", "modes"), [(True, ("spike",)), (False, ())])
def test_in_a_slow_log_a_lone_pressure_needs_a_throttle_that_stood_still(still, modes):
    data = {name: x[::4] for name, x in drive().items()}  # 5 Hz
    rows = np.arange(800, 1400, 150)
    data["throttle_position"][:] = 20.0 + np.tile([0.0, 0.3], data["time"].size // 2)
    data["manifold_pressure"][rows] += 90.0
    if not still:
        data["throttle_position"][rows] = 80.0
    assert validity(data).modes("manifold_pressure") == modes


def test_real_frost_is_no_open_circuit():
    data = drive()
    data["intake_air_temperature"] = np.full(data["time"].size, -38.0)
    data["ambient_air_temperature"] = np.full(data["time"].size, -40.0)
    assert validity(data).faults == ()


def test_open_flap_of_a_diesel_is_not_stuck():
    data = drive()
    data["throttle_position"][:] = 83.5
    data["manifold_pressure"] = 100.0 + 1.2 * (data["manifold_pressure"] - 35.0)
    assert validity(data).faults == ()


def test_throttle_held_wide_open_or_shut_from_the_first_turn_may_rest():
    data = drive()
    time, rpm = data["time"], data["engine_speed"]
    pull = (time > 200.0) & (time < 230.0)  # one long climb: the turbo comes, the foot stays
    data["throttle_position"][pull] = 100.0
    data["manifold_pressure"][pull] = np.linspace(99.0, 165.0, np.count_nonzero(pull))
    start = time < 45.0  # a strong starter, 6 s of it, then an idle at a closed throttle
    data["throttle_position"][start] = 0.0
    data["vehicle_speed"][start] = 0.0
    rpm[start] = np.where(time[start] < 8.0, 310.0, 880.0) + 3.0 * np.sin(time[start])
    data["manifold_pressure"][start] = np.where(time[start] < 8.0, 91.0, 32.0)
    assert validity(data).faults == ()
    # And here vacuum denies it.
    data["manifold_pressure"][pull] = np.linspace(95.0, 25.0, np.count_nonzero(pull))
    data["throttle_position"][(time > 195.0) & (time < 235.0)] = 100.0
    assert [(f.channel, f.mode) for f in validity(data).faults] == [("throttle_position", "stuck")]


def test_regulated_coolant_and_standstill_may_rest():
    data = drive()
    data["coolant_temperature"][:] = 90.0
    data["vehicle_speed"][:] = 0.0
    assert validity(data).faults == ()


def test_missing_cells_and_slow_logs_survive():
    data = {name: values[::20].copy() for name, values in drive(900.0).items()}
    for k, name in enumerate(n for n in data if n != "time"):
        data[name][k::3] = np.nan
    found = validity(data)
    assert found.faults == ()
    assert not found.good("lambda")[np.isnan(data["lambda"])].any()


def test_repeated_values_are_not_fresh():
    data = drive(10.0)
    data["lambda"] = np.repeat(np.arange(20) * 0.01 + 0.9, 10)
    assert validity(data).fresh("lambda").sum() == 20


def test_a_channel_that_is_not_there_is_nowhere_good():
    assert not validity(drive(10.0)).good("oil_pressure").any()


def test_an_empty_log_is_survived():
    found = validity({"time": np.zeros(0), "lambda": np.zeros(0)})
    assert found.faults == ()


@pytest.mark.parametrize(("rpm", "lone"), [(6200.0, 0), (2500.0, 8)])
def test_the_air_of_a_firing_cut_at_the_limiter_is_no_spike_of_lambda(rpm, lone):
    data = drive(60.0)
    n = data["time"].size
    data |= {"engine_speed": np.full(n, rpm), "manifold_pressure": np.full(n, 60.0),
             "throttle_position": np.full(n, 40.0)}  # fmt: skip
    data["lambda"][100:900:100] = 1.99
    rows = _spikes.lone_rows("lambda", data.pop("time"), data)
    assert np.count_nonzero(rows) == lone


def test_oil_that_leaps_to_a_heat_and_stands_is_a_shorted_wire() -> None:
    time = np.arange(0.0, 900.0, 0.5)
    warm = 60.0 + 40.0 * (1.0 - np.exp(-time / 300.0)) + 1.5 * np.sin(time / 20.0)
    speed = 2500.0 + 1200.0 * np.sin(time / 15.0)
    modes = {}
    for name, failed in (("short", 150.0), ("stuck", 98.0)):
        oil = np.where(time > 300.0, failed, np.round(warm))
        modes[name] = validity({"time": time, "engine_speed": speed, "oil_temperature": oil}).modes(
            "oil_temperature"
        )
    assert modes == {"short": ("short",), "stuck": ("stuck",)}


@pytest.mark.parametrize(("before", "dead"), [(40.0, True), (5.0, False)])
def test_a_pressure_that_glides_under_its_floor_reads_low_and_is_not_dead(
    before: float, dead: bool
) -> None:
    time = np.arange(0.0, 200.0, 0.1)
    gone = (time > 100.0) & (time < 112.0)
    pressure = 45.0 + 10.0 * np.sin(time / 7.0)
    pressure[(time > 98.0) & ~gone & (time < 101.0)] = before
    pressure[gone] = 1.5
    speed = 2500.0 + 900.0 * np.sin(time / 9.0)
    fact = validity({"time": time, "engine_speed": speed, "manifold_pressure": pressure})
    assert ("dead" in fact.modes("manifold_pressure")) == dead


def test_lone_air_flow_that_no_throttle_made_is_a_spike() -> None:
    time = np.arange(0.0, 200.0, 0.05)
    throttle = 15.0 + 0.2 * np.sin(time)
    flow = 12.0 + np.sin(time / 3.0)
    flow[1000::400] += 25.0
    speed = np.full(time.size, 2200.0)
    log = {"time": time, "engine_speed": speed, "mass_air_flow": flow}
    found = validity({**log, "throttle_position": throttle})
    assert found.modes("mass_air_flow") == ("spike",)
    pedal = throttle.copy()
    for late in range(-2, 3):
        pedal[np.arange(1000, time.size - 3, 400) + late] += 20.0
    moved = validity({**log, "throttle_position": pedal})
    assert "spike" not in moved.modes("mass_air_flow")


@pytest.mark.parametrize(
    ("rests", "coolant", "modes"), [(True, 85.0, ("stuck",)), (False, 85.0, ()), (True, 30.0, ())]
)
def test_air_that_stands_at_rest_and_at_speed_alike_is_no_air(rests, coolant, modes):
    time = np.arange(0.0, 500.0, 0.2)
    speed = np.where((time > 250.0) & (time < 300.0) & rests, 0.0, 70.0 + 8.0 * np.sin(time / 9.0))
    found = validity({
        "time": time, "vehicle_speed": speed, "engine_speed": 900.0 + 25.0 * speed,
        "coolant_temperature": np.full(time.size, coolant) + 2.0 * np.sin(time / 30.0),
        "intake_air_temperature": np.where(time < 150.0, np.round(22.0 + time / 20.0), 30.0),
    })  # fmt: skip
    assert found.modes("intake_air_temperature") == modes
