"""The engine of the second car, worked back from its drive, and what its sensors see."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter

from tests.acceptance.drive import (
    DT,
    TURNS,
    Array,
    Drive,
    filling,
    pressure_for,
    resistance,
    torque,
)

Log = dict[str, Array]


@dataclass
class Truth:
    """What really went on; arrays on the grid."""

    time: Array
    mode: Array
    events: list[tuple[str, float]]
    values: Log = field(default_factory=dict)
    opens_c: float | None = None

    def at(self, name: str, number: int = 0) -> float:
        return [t for n, t in self.events if n == name][number]


@dataclass(frozen=True)
class Plan:
    """What is wrong with the car; nothing by default."""

    fuel_error: Callable[[Truth], Array] | None = None  # factor on lambda in the engine
    sensors: Callable[[Log, Truth], None] | None = None
    misses: float = 0.0  # share of one cylinder's firings that fail
    closed_loop: bool = True


def lag(x: Array, seconds: float) -> Array:
    share = 1.0 - np.exp(-DT / seconds)
    y, _ = lfilter([share], [1.0, share - 1.0], x, zi=[x[0] * (1.0 - share)])
    return np.asarray(y)


def firings(rng: np.random.Generator, drive: Drive, rpm: Array, misses: float) -> Array:
    """Speed deviation in rpm of each firing's own torque; the governor holds the mean."""
    car = drive.car
    place = np.cumsum(np.maximum(rpm, 100.0) / 60.0 * car.cylinders / 2.0 * DT)
    count = int(place[-1]) + 2
    extra = 1.1 * rng.standard_normal(count)
    turn = np.arange(count) % car.cylinders == 1
    extra[turn & (rng.random(count) < misses)] -= 30.0
    omega = np.interp(np.arange(count), place, np.maximum(rpm, 100.0)) / TURNS
    step = extra * (4.0 * np.pi / car.cylinders) / omega / car.inertia
    speed = np.interp(place, np.arange(count), lfilter([1.0], [1.0, -0.93], step) * TURNS)
    return speed - lag(speed, 0.6)


def coolant_of(drive: Drive, fuel: Array, speed: Array, run: Array, truth: Truth) -> Array:
    """Lumped water with a slow wax thermostat and a fan, twice a second."""
    car, air = drive.car, drive.world.ambient
    block = int(0.5 / DT)
    burnt = fuel[: fuel.size // block * block].reshape(-1, block).mean(1)
    start = drive.world.start if drive.world.start is not None else air
    water, wax, fan, out = start, start, False, []
    for k, grams in enumerate(burnt):
        going, kept = float(speed[k * block]), bool(run[k * block])
        wax += (water - wax) * 0.5 / 9.0
        lift = min(max((wax - car.thermostat) / 9.0, 0.0), 1.0)
        if lift > 0.0 and truth.opens_c is None and start < car.thermostat - 10.0:
            truth.opens_c = water
        fan = kept and (water > 98.0 or (fan and water > 94.0))
        # The share of the fuel's heat that the water takes falls with load.
        share = 0.30 - 0.17 * min(max((grams / car.litres - 0.35) / 2.5, 0.0), 1.0)
        lost = 14.0 + 1.2 * going + lift * (25.0 + 42.0 * going**0.75 + 260.0 * fan)
        water += 0.5 * (grams * 43e3 * share - lost * (water - air)) / (22e3 * car.litres + 3e4)
        out.append(water)
    return np.interp(truth.time, 0.5 + 0.5 * np.arange(len(out)), out)


def trims(truth: Truth, error: Array, delay: Array, ready: Array) -> Array:
    """Integral control of lambda through the exhaust's delay, ten times a second."""
    seen = np.maximum(truth.time - delay, 0.0)[::10]
    rows = (seen / DT).astype(int)
    out, now = np.zeros(rows.size), 0.0
    for k in range(1, rows.size):
        if ready[10 * k] and ready[rows[k]]:
            left = error[rows[k]] - out[min(rows[k] // 10, k - 1)]
            now = min(max(now + 0.1 * left, -0.25), 0.25)
        else:
            now *= 0.985
        out[k] = now
    return np.repeat(out, 10)[: truth.time.size]


def simulate(drive: Drive, plan: Plan, seed: int) -> tuple[Log, Truth]:
    """Channels on the grid, in the units of the contract, and the truth behind them."""
    car, world, rng = drive.car, drive.world, np.random.default_rng(seed)
    speed, load = np.concatenate(drive.speed_parts), np.concatenate(drive.load_parts)
    gear, mode = np.concatenate(drive.gear_parts).astype(int), np.array(drive.mode)
    time = np.arange(speed.size) * DT
    truth = Truth(time, mode, drive.events)
    run = np.isin(mode, ("run", "pull", "coast", "shift"))
    since = np.full(time.size, 1e3)
    for name, second in drive.events:
        since = np.where((name == "fire") & (time >= second), time - second, since)
    ratio = np.array((0.0, *car.gears))[gear]
    geared = speed * TURNS / car.wheel * ratio
    air = world.barometer
    celsius = np.full(time.size, world.ambient if world.start is None else world.start)
    for _ in range(2):  # fast idle needs the coolant, the coolant needs the fuel
        goal = car.idle + np.clip(60.0 - celsius, 0.0, 80.0) * 5.0
        loose = run & (geared < 1.15 * goal)
        still = loose & (speed < 0.3)
        rpm = np.where(run, np.where(loose, goal + 250.0 * (speed > 0.3), geared), 0.0)
        flare = 450.0 * np.exp(-since / 1.6) * (1.0 - np.exp(-since / 0.25))
        rpm = lag(np.where(mode == "crank", 210.0, rpm + flare * still), 0.12)
        tight = run & ~loose & (mode != "shift") & (np.abs(rpm - geared) < 60.0)
        rpm = np.where(tight, geared, rpm)
        rpm[rpm < 12.0] = 0.0
        force = car.mass * np.gradient(lag(speed, 0.25), DT) + resistance(car, speed)
        need = np.where(ratio > 0, force * car.wheel / np.maximum(ratio, 1.0) / 0.92, 3.0)
        turning = np.maximum(rpm, 600.0)
        kpa = pressure_for(car, turning, need, air, celsius)
        kpa = np.clip(kpa, 25.0, car.boost or 0.98 * air)
        dragged = need < torque(car, turning, np.full(time.size, 28.0), air, celsius)
        lifted = run & (np.isin(mode, ("coast", "shift")) | (dragged & (rpm > 1.25 * goal)))
        kpa = np.where(lifted, 25.0 + 2.0 * (rpm < 1500.0), kpa)
        kpa = np.where(run, kpa, np.where(mode == "crank", 0.93 * air, air))
        kpa = np.where(mode == "pull", load, lag(np.where(mode == "pull", load, kpa), 0.08))
        cut = lifted & (rpm > 1500.0) & (lag(lifted.astype(float), 0.25) > 0.8)
        grams = kpa * car.litres * filling(rpm, kpa) * rpm / 120.0 / (0.287 * (world.ambient + 285))
        grams = grams * (rpm > 60.0)
        fuel = np.where(cut | ~run, 0.0, grams / 14.7 * np.where(kpa > 100.0, 1.12, 1.0))
        truth.opens_c = None
        celsius = coolant_of(drive, fuel, speed, run, truth)
    sway = lag(rng.standard_normal(time.size), 1.2) * 62.0 * still
    rpm = np.where(rpm > 0, np.maximum(rpm + sway + firings(rng, drive, rpm, plan.misses), 0), 0)
    truth.values = {"rpm": rpm, "kpa": kpa, "celsius": celsius, "cut": cut * 1.0, "run": run * 1.0,
                    "since": since, "speed": speed, "grams": grams}  # fmt: skip
    noise = rng.standard_normal
    kpa = kpa + 0.25 * noise(time.size)
    target = np.interp(kpa, [0.0, 80.0, 105.0, 140.0, 200.0], [1.0, 1.0, 0.90, 0.85, 0.80])
    target = target / (1.0 + 0.1 * np.clip((50.0 - celsius) / 70.0, 0, 1) * (kpa < 100.0))
    lean = np.ones(time.size) if plan.fuel_error is None else plan.fuel_error(truth)
    film = np.clip((kpa - lag(kpa, 0.35)) / 25.0, -1.0, 1.0)
    ratio_ = target * lean * (1.0 + 0.03 * film)
    delay = 0.06 + 120.0 / np.maximum(rpm, 500.0) + 1.17 / np.maximum(2.2 * grams, 3.5)
    trim = np.zeros(time.size)
    if plan.closed_loop:
        ready = run & (kpa < 85.0) & (since > 40.0) & ~cut & (celsius > 40.0)
        trim = trims(truth, np.log(ratio_ / target), delay, ready)
    burnt = np.where(run & ~cut, ratio_ / np.exp(trim), 6.0)
    seen = 1.0 / lag(1.0 / np.interp(np.maximum(time - delay, 0.0), time, burnt), 0.08)
    warm = run & ~cut & (celsius > 60.0) & (speed > 2.8)
    truth.values["delay_ms"] = np.array([1e3 * np.median((delay + 0.08)[warm])])
    volts = np.where(run, 14.2 - 0.35 * (rpm < 1000.0), 12.55)
    volts = lag(np.where(mode == "crank", 10.2, volts), 0.25)
    dead = np.interp(volts, [8.0, 10.0, 12.0, 14.0], [2.4, 1.6, 1.15, 0.9])
    boost = np.maximum(kpa - air, 0.0)
    intake = lag(world.ambient + 3.0 + 14.0 * np.exp(-speed / 5.0) * (celsius > 60.0), 40.0)
    intake = intake + lag(0.18 * boost, 3.0)
    milligrams = kpa * car.litres / car.cylinders * filling(rpm, kpa) / (0.287 * (intake + 293.0))
    pulse = milligrams * 1e3 / 14.6 / target * (1.0 + trim) / (car.injector * 0.0124) + dead
    pulse = np.where(cut | (rpm < 60.0), 0.0, pulse)
    share = np.clip(kpa / np.maximum(air, kpa + 1.5), 0.0, 0.985)
    plate = 3.0 + 100.0 * np.sqrt(share / np.sqrt(1.0 - share**2) * np.maximum(rpm, 300.0) / 35750)
    plate = np.where(still | lifted | ~run, 3.1, np.where(mode == "pull", 99.0, plate))
    log = {
        "engine_speed": rpm + 2.5 * noise(time.size) * (rpm > 0),
        "manifold_pressure": kpa,
        "throttle_position": lag(np.clip(plate, 3.1, 99.0), 0.06) + 0.08 * noise(time.size),
        "coolant_temperature": celsius + 0.12 * noise(time.size),
        "intake_air_temperature": intake + 0.12 * noise(time.size),
        "lambda": np.clip(seen, 0.65, 1.36) + 0.004 * noise(time.size),
        "lambda_target": target,
        "spark_advance": np.clip(18.0 + rpm / 210.0 - 0.28 * np.maximum(kpa - 40.0, 0), -5, 38),
        "injector_pulse_width": pulse,
        "fuel_trim_short": 100.0 * trim,
        "battery_voltage": volts + 0.025 * noise(time.size),
        "vehicle_speed": 3.6 * speed + 0.08 * noise(time.size) * (speed > 0.3),
        "barometric_pressure": np.full(time.size, air),
        "oil_pressure": lag(np.where(run, 90.0 + 0.1 * np.minimum(rpm, 3200.0), 0.0), 0.6)
        + 3.0 * noise(time.size),
    }
    if plan.sensors is not None:
        plan.sensors(log, truth)
    return log, truth
