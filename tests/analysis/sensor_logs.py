"""A drive made by hand with sensors that fail in it: cold start, town, pulls, overruns, idle.

Nothing of the simulator is in here: straight lines, first-order lags and white noise.
"""

from collections.abc import Sequence

import numpy as np

from pipeline.channels import CHANNELS
from pipeline.session import ChannelInfo, Session
from pipeline.signals.lag import first_order
from pipeline.vehicle import parse_vehicle

DT = 0.02
AIR_KPA, OUTSIDE_C, FIRES_S = 98.5, 18.0, 7.2
#: Noise and step of each channel's log.
LOGGED = {
    "engine_speed": (4.0, 1.0), "manifold_pressure": (0.4, 0.1), "throttle_position": (0.08, 0.1),
    "coolant_temperature": (0.08, 0.1), "intake_air_temperature": (0.08, 0.1),
    "ambient_air_temperature": (0.05, 0.1), "lambda": (0.003, 0.001), "lambda_target": (0.0, 0.001),
    "battery_voltage": (0.03, 0.01), "vehicle_speed": (0.1, 0.1),
    "barometric_pressure": (0.05, 0.1), "injector_pulse_width": (0.0, 0.01),
    "fuel_pressure": (3.0, 1.0), "oil_pressure": (4.0, 1.0),
    "exhaust_gas_temperature": (1.0, 1.0),
}  # fmt: skip
#: Reading with the wire off and with the wire to ground or supply, as the usual inputs show it.
OPEN = {"coolant_temperature": -40.0, "intake_air_temperature": -40.0, "manifold_pressure": 10.0,
        "throttle_position": 0.0, "lambda": 1.6, "exhaust_gas_temperature": 1250.0}  # fmt: skip
SHORT = {"coolant_temperature": 150.0, "intake_air_temperature": 150.0, "manifold_pressure": 304.0,
         "throttle_position": 100.0, "lambda": 0.65, "fuel_pressure": 1000.0,
         "oil_pressure": 1000.0}  # fmt: skip
OFFSET = {"manifold_pressure": 8.0, "coolant_temperature": -15.0, "intake_air_temperature": -14.0,
          "barometric_pressure": -9.0, "battery_voltage": -1.6}  # fmt: skip
NOISE = {"manifold_pressure": 6.0, "coolant_temperature": 4.0, "intake_air_temperature": 4.0,
         "lambda": 0.12, "battery_voltage": 0.8, "throttle_position": 4.0, "vehicle_speed": 8.0,
         "barometric_pressure": 3.0, "fuel_pressure": 40.0, "oil_pressure": 60.0,
         "engine_speed": 60.0, "exhaust_gas_temperature": 40.0}  # fmt: skip
SPIKE = {"manifold_pressure": 90.0, "coolant_temperature": 40.0, "intake_air_temperature": 40.0,
         "battery_voltage": -6.0, "throttle_position": 70.0, "vehicle_speed": 60.0,
         "barometric_pressure": 20.0, "engine_speed": 1500.0,
         "lambda": 0.3, "oil_pressure": 200.0, "exhaust_gas_temperature": 200.0}  # fmt: skip
CLIP_KPA = 130.0
SLOW_S = 1.5


def drive(
    seconds: float, intake_g_s: float = 0.0, exhaust_g_s: float = 0.0
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Stamps (n,) s and what is there, without noise: one minute of road again and again.

    Air that leaks into the intake unmetered, or into the exhaust (less of it with warm metal).
    """
    time = np.arange(0.0, seconds, DT)
    on_road = (time > 30.0) & (time < seconds - 60.0)
    within = (time - 30.0) % 60.0
    at = [0, 5, 8, 12, 14, 20, 22, 26, 32, 36, 38, 44, 47, 52, 56, 60]
    pedal = [3, 3, 15, 22, 12, 14, 14, 90, 90, 0, 16, 14, 30, 18, 0, 3]
    road = [0, 0, 10, 35, 38, 48, 50, 58, 100, 85, 82, 84, 95, 60, 25, 0]
    throttle = np.where(on_road, np.interp(within, at, pedal), 3.0)
    speed = np.where(on_road, np.interp(within, at, road), 0.0)
    running, cranking = time >= FIRES_S, (time >= FIRES_S - 1.2) & (time < FIRES_S)
    since = np.maximum(time - FIRES_S, 0.0)
    gear = first_order(
        time, np.select([speed < 18, speed < 36, speed < 60], [120.0, 70.0, 48.0], 36.0), 0.3
    )
    rpm = first_order(time, np.maximum(speed * gear, 850.0 + 350.0 * np.exp(-since / 90.0)), 0.25)
    wide = np.where(rpm > 2800, AIR_KPA + 65.0 * np.clip((rpm - 2800) / 800, 0, 1), AIR_KPA - 2.0)
    filled = np.clip(throttle / 55.0, 0.0, 1.0) ** 0.6 * np.clip(1.25 - rpm / 20000.0, 0.6, 1.0)
    kpa = np.where(throttle < 1.0, 24.0, 30.0 + (wide - 30.0) * filled)
    kpa = first_order(time, np.where(running, kpa, AIR_KPA), 0.15)
    rpm = np.where(running, rpm, np.where(cranking, 220.0, 0.0))
    cut = (throttle < 1.0) & (rpm > 1400.0)
    target = np.where(kpa > 120.0, 0.82, np.where(kpa > 95.0, 0.88, 1.0))
    wander = first_order(time, np.random.default_rng(5).normal(0.0, 0.12, time.size), 0.5)
    heat = first_order(time, np.where(kpa > 110.0, 10.0, 0.0), 8.0)
    intake_c = OUTSIDE_C + 18.0 * (1.0 - np.exp(-time / 300.0)) + heat
    density = kpa / (0.28705 * (273.15 + intake_c))
    flow = np.maximum(0.85 * density * 2.0 * rpm / 120.0, 1.0)
    leaked = 1.0 + (intake_g_s + exhaust_g_s * (0.6 + 0.4 * np.exp(-since / 250.0))) / flow
    burnt = ~cut / (target * leaked * (1.0 + wander))
    richness = first_order(time, np.interp(time - 0.15, time, burnt), 0.08)
    warmed = np.minimum(90.0 - 72.0 * np.exp(-since / 170.0), 88.0 + 0.5 * np.sin(time / 25.0))
    return time, {
        "engine_speed": rpm,
        "manifold_pressure": kpa,
        "throttle_position": throttle,
        "coolant_temperature": warmed,
        "intake_air_temperature": intake_c,
        "ambient_air_temperature": np.full(time.size, OUTSIDE_C),
        "lambda": np.where(running, 1.0 / np.maximum(richness, 1 / 1.6), 1.6),
        "lambda_target": target,
        "battery_voltage": np.where(running, 14.2, np.where(cranking, 10.3, 12.5)),
        "vehicle_speed": first_order(time, speed, 0.2),
        "barometric_pressure": np.full(time.size, AIR_KPA),
        "injector_pulse_width": np.where(cut | ~running, 0.0, 0.9 + 0.085 * kpa / target),
        "fuel_pressure": np.where(time > 2.0, 300.0 + kpa - AIR_KPA, 0.0),
        "oil_pressure": first_order(
            time, np.where(running, np.clip(120.0 + 0.085 * rpm, 0, 420), 0.0), 0.4
        ),
        "exhaust_gas_temperature": first_order(
            time, np.where(running, 250.0 + 0.05 * rpm + 2.0 * kpa, OUTSIDE_C), 2.0
        ),
    }  # fmt: skip


def sensor_log(
    channel: str = "", mode: str = "", *, rate_hz: float = 25.0, seconds: float = 720.0,
    at_s: float = 200.0, without: Sequence[str] = (), seed: int = 1, vehicle: str = "",
    intake_g_s: float = 0.0, exhaust_g_s: float = 0.0,
) -> Session:  # fmt: skip
    """Session of the drive; ``channel`` fails in ``mode``, electrical faults from ``at_s`` on."""
    fine, there = drive(seconds, intake_g_s, exhaust_g_s)
    pick = np.arange(0, fine.size, round(1.0 / rate_hz / DT))
    time, rng = fine[pick], np.random.default_rng(seed)
    values = {}
    for name, true in there.items():
        noise, step = LOGGED[name]
        shown = true[pick] + noise * rng.standard_normal(pick.size) * (true[pick] != 0.0)
        shown = np.minimum(shown, 1.6) if name == "lambda" else shown
        values[name] = np.round(shown / step) * step
    if mode:
        values[channel] = _failed(channel, mode, time, values[channel], at_s, rng)
    for name in without:
        del values[name]
    info = {name: ChannelInfo(unit=CHANNELS[name].unit, column=name, conversion="none",
                              rows=pick.size, effective_hz=rate_hz)
            for name in values}  # fmt: skip
    return Session(
        id="hand", time=time, channels=values, info=info,
        vehicle=parse_vehicle(vehicle.encode(), channel_names=CHANNELS),
        start_time="2026-05-01T10:00:00", start_time_source="log",
    )  # fmt: skip


def _failed(
    name: str, mode: str, time: np.ndarray, x: np.ndarray, at_s: float, rng: np.random.Generator
) -> np.ndarray:
    step = LOGGED[name][1]
    later = time >= at_s
    fixed = {"stuck": x[np.argmax(later)], "open": OPEN.get(name), "short": SHORT.get(name),
             "dead": 0.0}.get(mode)  # fmt: skip
    if fixed is not None:
        return np.where(later, fixed, x)
    if mode == "spike":
        out = x.copy()
        out[rng.choice(np.flatnonzero(later)[10:-10:40], 12, replace=False)] += SPIKE[name]
        return out
    out = {
        "offset": lambda: x + OFFSET[name],
        "noise": lambda: np.where(later, x + NOISE[name] * rng.standard_normal(x.size), x),
        "saturated": lambda: np.minimum(x, CLIP_KPA),
        "slow": lambda: first_order(time, x, SLOW_S),
    }[mode]()
    return np.asarray(np.round(out / step) * step)
