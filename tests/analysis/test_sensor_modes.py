"""Every way a sensor fails, in a drive made by hand: named with its mode, and nothing beside it."""

import functools
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from pipeline.registry import Registry, load_registry
from pipeline.results import Finding, Result
from pipeline.runner import analyse
from tests.analysis.sensor_logs import sensor_log

_ALL = load_registry()
#: The sensors' own analysis, and those that a wrong reading could lead astray.
BESIDE = ("lean_load", "mixture", "fuel_pressure", "cooling", "warm_up", "leaks", "intake_air")
REGISTRY = Registry(
    facts=_ALL.facts,
    analyses={n: a for n, a in _ALL.analyses.items() if n in ("sensors", *BESIDE)},
)


@functools.cache
def judged(channel: str = "", mode: str = "", rate_hz: float = 25.0) -> Mapping[str, Result]:
    return analyse(sensor_log(channel, mode, rate_hz=rate_hz), REGISTRY, strict=True)


def found(channel: str = "", mode: str = "", rate_hz: float = 25.0) -> tuple[Finding, ...]:
    """Findings of a log at watch or above."""
    results = judged(channel, mode, rate_hz).values()
    return tuple(f for r in results for f in r.findings if f.severity != "info")


@pytest.mark.parametrize("rate_hz", [5.0, 25.0])
def test_a_sound_drive_raises_nothing(rate_hz: float) -> None:
    assert found(rate_hz=rate_hz) == ()


def test_a_wideband_that_nothing_can_be_held_against_is_not_called_right() -> None:
    sound = judged(rate_hz=25.0)["sensors"]
    assert sound.digest["scale_not_judged"] == ["lambda"]
    assert "scale is right is not judged" in sound.why


@pytest.mark.parametrize(
    ("channel", "mode", "rate_hz"),
    [
        *((c, m, hz) for c, hz in (("coolant_temperature", 25.0), ("intake_air_temperature", 5.0))
          for m in ("stuck", "open", "short", "offset", "spike")),
        ("intake_air_temperature", "noise", 10.0),
        *(("manifold_pressure", m, 10.0) for m in ("stuck", "open", "short", "dead", "offset")),
        ("manifold_pressure", "saturated", 25.0),
        ("manifold_pressure", "noise", 25.0),
        ("manifold_pressure", "noise", 5.0),
        ("manifold_pressure", "spike", 25.0),
        *(("throttle_position", m, 10.0) for m in ("stuck", "open", "short", "noise", "spike")),
        ("engine_speed", "spike", 10.0),
        ("lambda", "spike", 20.0),
        ("engine_speed", "noise", 25.0),
        *(("lambda", m, 10.0) for m in ("stuck", "open", "short", "dead")),
        *(("battery_voltage", m, 5.0) for m in ("stuck", "spike", "noise")),
        *(("vehicle_speed", m, 5.0) for m in ("stuck", "dead", "spike", "noise")),
        *(("barometric_pressure", m, 5.0) for m in ("offset", "dead", "noise")),
        *(("fuel_pressure", m, 10.0) for m in ("stuck", "dead", "short")),
        *(("oil_pressure", m, 10.0) for m in ("stuck", "dead", "short", "noise", "spike")),
        *(("exhaust_gas_temperature", m, 5.0) for m in ("stuck", "dead", "open", "noise", "spike")),
    ],
)  # fmt: skip
def test_a_failed_sensor_is_named_with_its_mode_and_alone(
    channel: str, mode: str, rate_hz: float
) -> None:
    shown = [(f.kind, f.mode, f.channels) for f in found(channel, mode, rate_hz)]
    assert shown == [("sensor_fault", mode, [channel])]


def test_a_mixture_at_its_end_beside_a_pressure_at_its_own_is_true() -> None:
    log = sensor_log("manifold_pressure", "short", rate_hz=10.0)
    rich = np.where(log.time > 201.0, 0.65, log.channels["lambda"])
    beside = analyse(replace(log, channels={**log.channels, "lambda": rich}), REGISTRY, strict=True)
    assert [f.channels for f in beside["sensors"].findings] == [["manifold_pressure"]]
    sound = sensor_log(rate_hz=10.0)
    alone = replace(sound, channels={**sound.channels, "lambda": rich})
    found = analyse(alone, REGISTRY, strict=True)["sensors"].findings
    assert [f.channels for f in found] == [["lambda"]]


@pytest.mark.parametrize("ambient", [18.0, 33.0])
def test_outside_air_over_all_that_soaked_in_it_is_the_one_that_is_wrong(ambient: float) -> None:
    log = sensor_log(rate_hz=5.0)
    outside = np.full(log.time.size, ambient)
    cool = np.round(18.0 + 0.2 * (log.channels["intake_air_temperature"] - 18.0), 1)
    channels = {**log.channels, "ambient_air_temperature": outside, "intake_air_temperature": cool}
    sensors = analyse(replace(log, channels=channels), REGISTRY, strict=True)["sensors"]
    assert [f.channels for f in sensors.findings] == [["ambient_air_temperature"]] * (
        ambient > 30.0
    )


@pytest.mark.parametrize(("offset", "plateau_too"), [(-20.0, True), (-20.0, False)])
def test_coolant_as_much_too_cold_before_the_start_as_warm_is_off(
    offset: float, plateau_too: bool
) -> None:
    log = sensor_log(rate_hz=5.0, without=("ambient_air_temperature",))
    coolant = log.channels["coolant_temperature"]
    coolant = coolant + np.where(plateau_too | (log.time < 60.0), offset, 0.0)
    channels = {**log.channels, "coolant_temperature": coolant}
    sensors = analyse(replace(log, channels=channels), REGISTRY, strict=True)["sensors"]
    assert [(f.mode, f.channels) for f in sensors.findings if f.mode == "offset"] == [
        ("offset", ["coolant_temperature"])
    ] * plateau_too


def test_no_oil_pressure_is_never_put_off_behind_its_sensor() -> None:
    (fault,) = found("oil_pressure", "dead", 10.0)
    assert "low_oil_pressure" not in fault.blocks
    (other,) = found("oil_pressure", "noise", 10.0)
    assert "low_oil_pressure" in other.blocks


@pytest.mark.parametrize("channel", ["manifold_pressure", "lambda", "coolant_temperature"])
def test_what_fuel_rests_on_is_to_be_mended_first(channel: str) -> None:
    (fault,) = found(channel, "stuck", {"coolant_temperature": 25.0}.get(channel, 10.0))
    assert fault.severity == "act"


def test_sensors_on_one_supply_are_one_fault_and_none_of_them_another() -> None:
    log = sensor_log(rate_hz=10.0)
    lost = (log.time >= 400.0) & (log.time < 408.0)
    ends = {"manifold_pressure": 10.0, "oil_pressure": 0.0, "fuel_pressure": 0.0}
    channels = {n: np.where(lost, ends.get(n, x), x) for n, x in log.channels.items()}
    results = analyse(replace(log, channels=channels), REGISTRY, strict=True)
    shown = [f for r in results.values() for f in r.findings if f.severity != "info"]
    assert [(f.mode, f.channels) for f in shown] == [("reference_lost", sorted(ends))]
    assert (shown[0].start_s, shown[0].end_s) == pytest.approx((400.0, 408.0), abs=0.2)


@pytest.mark.parametrize("counted", [False, True])
def test_odd_speeds_beside_a_lost_crank_signal_are_that_fault(counted: bool) -> None:
    log = sensor_log("engine_speed", "spike", rate_hz=10.0)
    channels = dict(log.channels)
    if counted:
        channels["crank_signal_errors"] = np.floor(log.time / 100.0)
    else:
        lost = (log.time > 60.0) & (log.time % 10.0 < 0.3)
        channels["engine_speed"] = np.where(lost, 0.0, channels["engine_speed"])
    sensors = analyse(replace(log, channels=channels), REGISTRY, strict=True)["sensors"]
    assert [f.mode for f in sensors.findings] == []


@pytest.mark.parametrize(("slope", "found"), [(0.0, True), (60.0, False)])
def test_a_small_blip_of_the_throttle_is_a_spike_where_no_pressure_follows(
    slope: float, found: bool
) -> None:
    log = sensor_log(rate_hz=20.0)
    channels = {n: x.copy() for n, x in log.channels.items()}
    at = np.flatnonzero((log.time > 670.0) & (log.time < 715.0))[::90]  # at idle
    channels["throttle_position"][at] += 35.0
    for late in range(4):  # air that follows, and goes as fast as pistons take it
        channels["manifold_pressure"][at + late] += slope * 0.5**late
    sensors = analyse(replace(log, channels=channels), REGISTRY, strict=True)["sensors"]
    assert [f.channels for f in sensors.findings if f.mode == "spike"] == (
        [["throttle_position"]] if found else []
    )


def test_a_wideband_with_little_noise_is_told() -> None:
    log = sensor_log(rate_hz=10.0)
    noise = 0.047 * np.random.default_rng(8).standard_normal(log.time.size)
    channels = {**log.channels, "lambda": log.channels["lambda"] + noise * (log.time > 100.0)}
    sensors = analyse(replace(log, channels=channels), REGISTRY, strict=True)["sensors"]
    assert [(f.mode, f.channels) for f in sensors.findings] == [("noise", ["lambda"])]


def test_a_lone_lean_value_where_the_throttle_moves_is_a_slug_of_air() -> None:
    log = sensor_log(rate_hz=20.0)
    channels = {n: x.copy() for n, x in log.channels.items()}
    at = np.flatnonzero((log.time > 670.0) & (log.time < 715.0))[::90]  # at idle
    for late in range(10):  # a foot that touches the pedal
        channels["throttle_position"][at + late] += 20.0
    channels["lambda"][at + 5] += 0.35
    sensors = analyse(replace(log, channels=channels), REGISTRY, strict=True)["sensors"]
    assert [f.mode for f in sensors.findings] == []
