"""Hand-made logs of full-throttle runs: every number chosen, so that answers can be worked out."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from pipeline.channels import CHANNELS, unit_of
from pipeline.registry import load_registry
from pipeline.results import Result
from pipeline.runner import FactStore, Timings, run_all
from pipeline.session import ChannelInfo, Session
from pipeline.vehicle import parse_vehicle

RATE = 25.0
RATIO = 60.0  # rpm per km/h in the gear of the runs
BAROMETER = 100.0
VEHICLE = """
[vehicle]
mass_kg = 1400
drag_area_m2 = 0.65
rolling_resistance = 0.012
[engine]
displacement_l = 2.0
compression_ratio = 9.0
bore_mm = 86
stroke_mm = 86
forced_induction = true
rev_limit_rpm = 6500
[fuel]
octane_ron = 95
"""


def log(
    runs: int = 3,
    *,
    plateau: float = 180.0,
    target: float | None = 180.0,
    spool_s: float = 1.2,
    creep: float = 0.0,
    run_s: float = 6.0,
    rate: float = RATE,
    noise: float = 0.0,
) -> dict[str, np.ndarray]:
    """Channels with time: idle 20 s, then cruise 15 s and a run from 2400 to 6000 rpm, repeated.

    In a run pressure rises in a straight line from the barometer to the plateau within spool_s,
    then by ``creep`` kPa per 1000 rpm. noise: kPa of the pressure's, one standard deviation.
    """
    time = np.arange(0.0, 20.0 + runs * (15.0 + run_s), 1.0 / rate)
    rpm = np.where(time < 20.0, 850.0, 2400.0)
    speed = np.where(time < 20.0, 0.0, 2400.0 / RATIO)
    pressure = np.where(time < 20.0, 35.0, 50.0)
    throttle = np.where(time < 20.0, 0.0, 15.0)
    goal = np.full(time.size, BAROMETER)
    for k in range(runs):
        begin = 20.0 + 15.0 + k * (15.0 + run_s)
        inside = (time >= begin) & (time < begin + run_s)
        t = time[inside] - begin
        rpm[inside] = 2400.0 + 3600.0 * t / run_s
        speed[inside] = rpm[inside] / RATIO
        throttle[inside] = 100.0
        rise = np.maximum(t - spool_s, 0.0) * 3600.0 / run_s / 1000.0 * creep
        pressure[inside] = BAROMETER + (plateau - BAROMETER) * np.minimum(t / spool_s, 1.0) + rise
        if target is not None:
            goal[inside] = target
    pressure += np.random.default_rng(5).normal(0.0, noise, time.size) if noise else 0.0
    out = {
        "time": time, "engine_speed": rpm, "vehicle_speed": speed, "manifold_pressure": pressure,
        "throttle_position": throttle, "barometric_pressure": np.full(time.size, BAROMETER),
        "coolant_temperature": np.full(time.size, 88.0),
        "ambient_air_temperature": np.full(time.size, 20.0),
    }  # fmt: skip
    if target is not None:
        out["manifold_pressure_target"] = goal
    return out


def session(channels: Mapping[str, np.ndarray], toml: str = VEHICLE, name: str = "s") -> Session:
    """A session of these channels."""
    rate = 1.0 / float(np.median(np.diff(channels["time"])))
    info = {
        c: ChannelInfo(unit=unit_of(c), column=c, conversion="none", rows=v.size, effective_hz=rate)
        for c, v in channels.items()
        if c != "time"
    }
    return Session(
        id=name,
        time=channels["time"],
        channels={c: v for c, v in channels.items() if c != "time"},
        info=info,
        vehicle=parse_vehicle(toml.encode(), channel_names=CHANNELS),
        start_time="2026-05-01T10:00:00",
    )


def results(channels: Mapping[str, np.ndarray], *names: str, toml: str = VEHICLE,
            **more: Any) -> dict[str, Result]:  # fmt: skip
    """Results of the named analyses, run strictly."""
    registry = load_registry()
    some = type(registry)(registry.facts, {n: registry.analyses[n] for n in names})
    return run_all(session(channels, toml), some, strict=True, **more)


def fact(channels: Mapping[str, np.ndarray], name: str, toml: str = VEHICLE) -> Any:
    """Value of a fact."""
    return FactStore(session(channels, toml), load_registry(), Timings()).get(name, optional=False)


def kinds(result: Result) -> dict[str, str]:
    """Severity by kind."""
    return {f.kind: f.severity for f in result.findings}
