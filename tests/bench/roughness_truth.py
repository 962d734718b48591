"""Firing-resolved engine speed, many logs at once, for the bench of rough running.

Nothing here is shared with the team's simulator or with the pipeline: a detector must not be
judged by the model it was built from. One loop over firings, vectorised over logs. The engine
is an inertia; every firing adds work, friction and load take it away, a slow air control holds
the speed. Logged is what a controller would report: the speed over the last firing interval, the
last revolution or the last two, as it stood at the (jittered) moment of logging, rounded.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Engine:
    """One engine at one operating point."""

    cylinders: int = 4
    speed_rpm: float = 850.0
    inertia_kg_m2: float = 0.2
    work_j: float = 75.0  # of one firing
    noise: float = 0.06  # standard deviation of a firing's work, share of the mean
    imbalance: float = 0.0  # standard deviation of the cylinders' means, share
    damping_s: float = 0.4  # the engine's own return to its speed
    control_s: float = 2.0  # integral time of the air control
    lumpy: float = 0.0  # cycle-to-cycle noise common to a cycle's firings, share

    @property
    def drop_rpm(self) -> float:
        """Fall of speed from one missing firing: E / (J w)."""
        speed = self.speed_rpm * np.pi / 30
        return float(self.work_j / (self.inertia_kg_m2 * speed) * 30 / np.pi)


@dataclass(frozen=True)
class Logger:
    """How the speed is written down."""

    rate_hz: float = 10.0
    jitter: float = 0.1  # standard deviation of a stamp, share of the interval
    step_rpm: float = 1.0
    average: str = "event"  # or "revolution", "cycle" (two of them)


@dataclass(frozen=True)
class Misses:
    """One cylinder that misses with this probability, or any cylinder."""

    share: float = 0.0
    any_cylinder: bool = False


@dataclass(frozen=True)
class Loads:
    """Disturbances of a healthy engine."""

    switch_nm: float = 0.0  # torque of a load that comes and goes
    period_s: float = 12.0
    hunting_rpm: float = 0.0
    hunting_hz: float = 0.5
    road_nm: float = 0.0  # white torque noise through road and gears, standard deviation
    cold_s: float = 0.0  # fast idle that decays with this time constant
    cold_rpm: float = 0.0


@dataclass(frozen=True)
class Truth:
    """What was logged and what happened; rows are logs."""

    time: list[Floats]
    speed: list[Floats]
    miss_time: list[Floats]
    engine: Engine
    logger: Logger


def simulate(
    engine: Engine,
    logger: Logger,
    *,
    logs: int,
    seconds: float,
    seed: int,
    misses: Misses = Misses(),
    loads: Loads = Loads(),
) -> Truth:
    """Simulate ``logs`` logs of ``seconds`` each."""
    rng = np.random.default_rng(seed)
    target = engine.speed_rpm * np.pi / 30
    angle = 4 * np.pi / engine.cylinders
    firings = int((seconds + 8) * target / angle * 1.25) + 10
    w = np.full(logs, target)
    control = np.zeros(logs)
    t = rng.uniform(0, 0.3, logs) - 4.0
    bad = rng.integers(0, engine.cylinders, logs)
    level = 1 + engine.imbalance * rng.standard_normal((engine.cylinders, logs))
    times = np.empty((firings + 1, logs))
    speeds = np.empty((firings, logs))
    missed = np.zeros((firings, logs), bool)
    times[0] = t
    on_until = rng.uniform(0, loads.period_s, logs)
    load_on = rng.random(logs) < 0.5
    lump = np.zeros(logs)
    for k in range(firings):
        cylinder = k % engine.cylinders
        if engine.lumpy and cylinder == 0:
            lump = engine.lumpy * rng.standard_normal(logs)
        work = engine.work_j * (level[cylinder] + engine.noise * rng.standard_normal(logs) + lump)
        if misses.share:
            fails = rng.random(logs) < misses.share / (
                engine.cylinders if misses.any_cylinder else 1
            )
            fails &= np.ones(logs, bool) if misses.any_cylinder else bad == cylinder
            missed[k] = fails
            work = np.where(fails, 0.0, work)
        goal = target
        if loads.cold_rpm:
            cold = np.exp(-np.clip(t, 0, None) / loads.cold_s)
            goal = target + loads.cold_rpm * np.pi / 30 * cold
        if loads.hunting_rpm:
            swing = loads.hunting_rpm * np.pi / 30
            goal = goal + swing * np.sin(2 * np.pi * loads.hunting_hz * t)
        dt = angle / w
        drag = np.zeros(logs)
        if loads.switch_nm:
            turn = t > on_until
            load_on ^= turn
            on_until = np.where(turn, t + rng.exponential(loads.period_s, logs) + 2, on_until)
            drag = loads.switch_nm * angle * load_on
        if loads.road_nm:
            drag = drag + loads.road_nm * angle * rng.standard_normal(logs)
        control += (goal - w) * dt / (engine.control_s * engine.damping_s)
        accel = control + (goal - w) / engine.damping_s
        w = w + (work - engine.work_j - drag) / (engine.inertia_kg_m2 * w) + accel * dt
        w = np.clip(w, 0.2 * target, 3 * target)
        t = t + angle / w
        times[k + 1] = t
        speeds[k] = angle / (t - times[k]) * 30 / np.pi
    return _log(engine, logger, rng, times, speeds, missed, seconds)


def _log(
    engine: Engine, logger: Logger, rng: np.random.Generator, times: Floats, speeds: Floats,
    missed: NDArray[np.bool_], seconds: float,
) -> Truth:  # fmt: skip
    # firings in the time averaged over
    mean = engine.cylinders if logger.average == "cycle" else max(1, engine.cylinders // 2)
    interval = 1.0 / logger.rate_hz
    stamps, values, when = [], [], []
    for b in range(times.shape[1]):
        grid = np.arange(0.0, seconds, interval)
        spread = np.clip(logger.jitter * rng.standard_normal(grid.size), -0.45, 0.45)
        stamp = grid + interval * (0.5 + spread)
        ends = times[1:, b]
        last = np.searchsorted(ends, stamp, side="right") - 1
        if logger.average != "event":
            start = np.maximum(last + 1 - mean, 0)
            turn = 4 * np.pi * mean / engine.cylinders
            value = turn / (times[last + 1, b] - times[start, b]) * 30 / np.pi
        else:
            value = speeds[last, b]
        stamps.append(stamp)
        values.append(np.round(value / logger.step_rpm) * logger.step_rpm)
        event = times[:-1, b][missed[:, b]]
        when.append(event[(event > stamp[0]) & (event < stamp[-1])])
    return Truth(stamps, values, when, engine, logger)


def random_engine(rng: np.random.Generator, *, cruise: bool = False) -> Engine:
    """Draw an engine: 3-8 cylinders, its own inertia, noise 3-10 % per firing."""
    cylinders = int(rng.choice([3, 4, 5, 6, 8]))
    engine = Engine(
        cylinders=cylinders,
        speed_rpm=float(rng.uniform(650, 950)),
        inertia_kg_m2=float(np.exp(rng.uniform(np.log(0.11), np.log(0.30))))
        * (cylinders / 4) ** 0.6,
        work_j=float(rng.uniform(60, 90)),
        noise=float(rng.uniform(0.03, 0.10)),
        imbalance=float(rng.uniform(0.0, 0.02)),
        damping_s=float(rng.uniform(0.2, 0.7)),
        control_s=float(rng.uniform(1.0, 4.0)),
    )
    if cruise:
        engine = replace(
            engine, speed_rpm=float(rng.uniform(1800, 3000)),
            work_j=float(rng.uniform(120, 250)), damping_s=float(rng.uniform(0.3, 1)),
        )  # fmt: skip
    return engine


def random_logger(rng: np.random.Generator, rate_hz: float | None = None) -> Logger:
    """Draw a logger: 8-50 Hz, jitter 0-30 %, steps of 1 or 10 rpm, one event or one turn."""
    return Logger(
        rate_hz=float(rng.choice([8, 10, 15, 20, 25, 50])) if rate_hz is None else rate_hz,
        jitter=float(rng.uniform(0, 0.3)),
        step_rpm=float(rng.choice([1.0, 1.0, 10.0])),
        average=str(rng.choice(["event", "revolution"])),
    )
