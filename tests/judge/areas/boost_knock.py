"""Boost, charge, injectors, fuel pressure, knock and power against the simulator's truth.

The simulator's knock limit comes from its own closure (two overlapping burns, Hohenberg's heat
transfer), which shares nothing with ``pipeline/physics``: the difference is shown, never tuned.
"""

from collections.abc import Iterator

import numpy as np

from fixtures.cars import draw_car
from fixtures.drives import pulls
from fixtures.simulate import Run
from pipeline.analysis.power import WIND_UP_S, WINDOW_S
from pipeline.facts.full_throttle_runs import FullThrottleRuns
from pipeline.facts.knock_margin import KnockMargin
from pipeline.registry import Registry
from pipeline.runner import FactStore, Timings
from pipeline.signals import smoothing
from tests.judge.bridge import Judged, session_of
from tests.judge.harness import Case, Target, fault_cases, healthy_cases

KINDS = (
    "over_boost", "boost_loss", "boost_creep", "hot_intake", "injector_limit",
    "injector_minimum", "low_fuel_pressure", "hot_exhaust", "knock_retard", "knock_risk",
)  # fmt: skip
FAULTS = (
    "over_boost", "boost_creep", "hot_intake", "hot_exhaust", "low_fuel_pressure",
    "low_fuel_pressure_regulator", "injector_limit", "injector_minimum", "knock_retard",
    "knock_risk",
)  # fmt: skip


def cases(seed: int) -> Iterator[Case]:
    """Faults in drives with pulls; boost loss also with two healthy drives before it."""
    yield Case("healthy pulls", draw_car(seed), pulls(seed))
    yield from healthy_cases(seed, ("mixed_drive", "highway", "hot_restart"))
    yield from fault_cases(seed, FAULTS, drive=pulls, minutes=8.0)
    car = draw_car(seed)
    before = (pulls(seed * 100 + 1), pulls(seed * 100 + 2))
    for case in fault_cases(seed, ("boost_loss", "boost_loss_wastegate"), drive=pulls, minutes=8.0):
        yield Case(f"{case.name}, first log", car, case.drive, case.faults)
        yield Case(f"{case.name}, after two", car, case.drive, case.faults, before)
    for case in fault_cases(seed, ("knock_risk",), drive=pulls, minutes=8.0):
        yield Case(f"{case.name}, after two", car, case.drive, case.faults, before)
    for number in (3, 4):
        yield Case("healthy, after two", car, pulls(seed * 100 + number), (), before)


def _spool(run: Run) -> float | None:
    """Median spool time by the metric's definition, on true pressure, throttle and target."""
    needed = ("manifold_pressure_target", "manifold_pressure", "throttle_position")
    if not run.car.boosted or any(name not in run.columns for name in needed):
        return None
    time = run.frame[run.columns["time"]].to_numpy()
    time = time - time[0]
    true = run.truth.series
    pressure, pedal = true["true.manifold_pressure"], true["true.throttle_position"]
    target, barometer = true["true.manifold_pressure_target"], true["true.barometric_pressure"]
    low, high = float(pedal.min()), float(np.quantile(pedal, 0.998))
    opened = pedal >= low + 0.85 * (high - low)
    edges = np.flatnonzero(np.diff(opened.astype(np.int8)) == 1) + 1
    found = []
    for begin in edges:
        end = begin + int(np.argmin(np.append(opened[begin:], False)))
        if time[end - 1] - time[begin] < 1.5:
            continue
        level = float(np.median(target[(begin + end) // 2 : end]))
        goal = barometer[begin] + 0.9 * (level - barometer[begin])
        smooth = smoothing.moving_mean(time[begin:end], pressure[begin:end], seconds=0.3)
        if level > barometer[begin] + 8.0 and (smooth >= goal).any() and smooth[0] < goal:
            found.append(float(time[begin + int(np.argmax(smooth >= goal))] - time[begin]))
    return float(np.median(found)) if found else None


METRICS = {"spool_time_s": Target(_spool, 0.1, "s")}


def rows(judged: Judged, registry: Registry) -> dict[str, float]:
    """Knock margin and zones, power per pull, intercooler, CPU, against truth."""
    run = judged.run
    store = FactStore(session_of(run), registry, Timings())
    out: dict[str, float] = {}
    margins = store.get("knock_margin", optional=True)
    if isinstance(margins, KnockMargin):
        out |= _knock(run, margins)
    full = store.get("full_throttle_runs", optional=True)
    if isinstance(full, FullThrottleRuns) and full.runs:
        out |= _power(run, full, judged)
    if "true.manifold_pressure" not in run.truth.series:
        return out
    built_in = {f.cause for f in run.truth.faults} - {"as_drawn"}
    effect = judged.metrics.get("intercooler_effectiveness")
    if effect is not None and not built_in:
        # The simulator's cooler gets worse with flow; the metric speaks of the runs' flow.
        boost = (
            run.truth.series["true.manifold_pressure"]
            > 1.3 * run.truth.scalars["barometric_pressure_kpa"]
        )
        flow = float(np.median(run.truth.series["air_g_s"][boost])) / 1000.0
        out["intercooler effectiveness, error"] = effect.value - run.car.intercooler / (
            1.0 + 0.7 * flow
        )
    return out


def _knock(run: Run, margins: KnockMargin) -> dict[str, float]:
    true = run.truth.series["knock_margin_deg"]
    load = np.isfinite(margins.margin_deg) & (run.truth.series["true.manifold_pressure"] > 90.0)
    if load.sum() < 50:
        return {}
    difference = (margins.margin_deg - true)[load]
    bias = float(np.median(difference))
    out = {
        "knock margin less truth, deg": bias,
        "knock margin error after own bias, 90 % below, deg": float(
            np.quantile(np.abs(difference - bias), 0.9)
        ),
    }
    bad = true[load] < 0.0
    if 20 <= bad.sum() <= bad.size - 20:
        order = np.argsort(np.argsort(-margins.margin_deg[load]))
        high, low = int(bad.sum()), int((~bad).sum())
        rank = float((order[bad] + 1).sum())
        out["knock rows AUC"] = (rank - high * (high + 1) / 2.0) / (high * low)
    return out


def _power(run: Run, full: FullThrottleRuns, judged: Judged) -> dict[str, float]:
    """Peak of the best pull against force times speed, with the file's mass and the true one."""
    mine = judged.metrics.get("power_peak_kw")
    if mine is None or mine.low is None or mine.high is None:
        return {}
    time = run.frame[run.columns["time"]].to_numpy()
    speed = run.truth.series["true.vehicle_speed"] / 3.6
    barometer = run.truth.scalars["barometric_pressure_kpa"]
    density = barometer * 1000.0 / (287.05 * (273.15 + run.drive.ambient_c))
    car = run.car
    best = {"file": 0.0, "true": 0.0}
    for one in full.runs:
        part = slice(one.start, one.end)
        t, v = time[part], speed[part]
        acceleration = smoothing.moving_slope(t, v, seconds=0.2)
        for name, mass, area in (
            ("file", car.nominal_mass_kg, car.nominal_drag_area_m2),
            ("true", car.mass_kg, car.drag_area_m2),
        ):
            force = mass * (acceleration + 9.80665 * car.rolling_resistance)
            power = (force + 0.5 * density * area * v * v) * v / 1000.0
            mean = smoothing.moving_mean(t, power, seconds=WINDOW_S)
            use = (t >= t[0] + WIND_UP_S) & (t <= t[-1] - 0.5 * WINDOW_S) & np.isfinite(mean)
            if use.any():
                best[name] = max(best[name], float(mean[use].max()))
    if best["file"] <= 0.0:
        return {}
    return {
        "power error with the file's mass, %": 100.0 * (mine.value / best["file"] - 1.0),
        "power error with the true mass, %": 100.0 * (mine.value / best["true"] - 1.0),
        "power, true one inside the interval": float(mine.low <= best["true"] <= mine.high),
    }
