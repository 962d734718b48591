"""Fuel pressure over the manifold: whether the pump and the regulator keep it up under load."""

import numpy as np

from pipeline.facts._believed import believed
from pipeline.meta import Meta
from pipeline.results import (
    Cause,
    Check,
    Figure,
    Finding,
    LimitOfDetection,
    Points,
    Quantity,
    Result,
    evidence,
    metric,
    not_judged,
    rounded,
    scatter,
)
from pipeline.session import View
from pipeline.signals import segments, smoothing
from pipeline.signals.segments import Bools, Floats
from pipeline.wording import clock

META = Meta(
    question="Does the fuel pressure keep up?",
    version=1,
    kinds=("low_fuel_pressure",),
    references=("A regulator that follows the manifold keeps rail over manifold pressure "
                "constant; signatures of pump and regulator: common practice, no source.",),
    needs=("fuel_pressure", "engine_speed"),
    uses=("manifold_pressure", "battery_voltage"),
    facts=("states", "atmosphere"),
    optional_facts=("sensor_validity",),
    step=3,
)  # fmt: skip

#: s a drop has to last, and s the pressure is averaged over (pulsation of the rail).
DROP_S = 0.4
SMOOTH_S = 0.3
#: s a reading is held over rows without one, and kPa per s from which the manifold moves too
#: fast for readings of two rows to be set against each other.
HELD_S = 0.3
MOVING_KPA_S = 60.0
#: s after firing before the rail counts as filled.
FILLED_S = 5.0
#: s of idle that make a reference; without it the running median of light load stands in.
IDLE_S = 4.0
#: Share of the manifold's own swing that a gauge reading follows when the regulator is
#: referenced; below the lower, it does not follow it at all.
FOLLOWS = 0.35


def analyse(view: View) -> Result:
    """Judge the rail pressure over the manifold against its idle value."""
    time, states = view.time, view.fact("states")
    rail = believed(view, "fuel_pressure", view.channel("fuel_pressure"))
    rail = segments.hold(time, rail, seconds=HELD_S)
    barometer = view.fact("atmosphere").barometer_kpa
    started = states.first_running_s if states.start_seen else None
    use = states.running & np.isfinite(rail)
    if started is not None:
        use &= time >= started + FILLED_S
    if np.count_nonzero(use) < 20:
        return not_judged("too little running with a fuel pressure reading")
    pressure = view.get("manifold_pressure")
    over = rail.copy()
    unreferenced = not view.vehicle.injector.referenced_regulator
    if pressure is not None and not unreferenced:
        manifold = believed(view, "manifold_pressure", pressure)
        manifold = segments.hold(time, manifold, seconds=HELD_S)
        over = rail + barometer - manifold
        # Two readings a moment apart differ by what the manifold moved in between.
        moved = np.abs(smoothing.moving_slope(time, manifold, seconds=0.6)) > MOVING_KPA_S
        over = np.where(moved, np.nan, over)
    over = smoothing.moving_mean(time, np.where(use, over, np.nan), seconds=SMOOTH_S)
    if not (use & np.isfinite(over)).any():
        return not_judged("fuel and manifold pressure were never logged close enough in time")
    weights = smoothing.row_seconds(time)
    idle = states.mask("idle", "after_start") & states.pedal_released & use & np.isfinite(over)
    if float(weights[idle].sum()) < IDLE_S:
        light = use & np.isfinite(over)
        if pressure is not None:
            held = segments.hold(time, pressure, seconds=1.0)
            light &= held < 0.7 * barometer
        idle = light if np.count_nonzero(light) > 20 else use & np.isfinite(over)
        reference_name = "light load"
    else:
        reference_name = "idle"
    reference = float(np.median(over[idle]))
    load = use & np.isfinite(over)
    if pressure is not None:
        threshold = np.minimum(view.limits.load_kpa,
                               view.limits.load_barometer_fraction * barometer)  # fmt: skip
        loaded = load & (segments.hold(time, pressure, seconds=1.0) >= threshold)
        load = loaded if np.count_nonzero(loaded) >= 5 else load
    least = float(np.min(over[load]))
    follows = _follows(rail, pressure, barometer, use)
    judged = pressure is not None or unreferenced
    findings = _drops(view, over, use, reference, reference_name, follows) if judged else []
    text = (
        f"{least:.0f} kPa over the manifold at least under load, "
        if pressure is not None and not unreferenced
        else f"{least:.0f} kPa at least, "
    ) + f"{reference:.0f} kPa at {reference_name}"
    return Result(
        status="found" if findings else ("clear" if judged else "not_judged"),
        why=(findings[0].title + ": " if findings else "Fuel pressure held: ") + text
        if judged
        else "manifold pressure is not in the log, and the rail follows it; " + text,
        findings=findings,
        metrics={"fuel_pressure_min_kpa": metric(least, "kPa")},
        figures=_figures(over, states.rpm, pressure, use),
        limits_of_detection={
            "low_fuel_pressure": LimitOfDetection(
                could_show=judged,
                smallest=Quantity(value=view.limits.fuel_pressure_drop_kpa, unit="kPa"),
                over_s=rounded(float(weights[load].sum()), 4),
            )
        },
        digest={"reference_kpa": rounded(reference, 4)},
    )


def _follows(rail: Floats, pressure: Floats | None, barometer: Floats, use: Bools) -> float | None:
    """How far the gauge reading follows the manifold: slope of a line, None where it is still."""
    if pressure is None:
        return None
    x, y = (pressure - barometer)[use], rail[use]
    good = np.isfinite(x) & np.isfinite(y)
    x, y = x[good], y[good]
    if x.size < 50 or float(np.std(x)) < 10.0:
        return None
    x = x - x.mean()
    return float((x * y).sum() / (x * x).sum())


def _drops(
    view: View,
    over: Floats,
    use: Bools,
    reference: float,
    reference_name: str,
    follows: float | None,
) -> list[Finding]:
    time, limits = view.time, view.limits
    low = use & (over <= reference - limits.fuel_pressure_drop_kpa)
    low = segments.long_runs(low, time, seconds=DROP_S)
    starts, ends = segments.runs(low)
    if not starts.size:
        return []
    rows = np.flatnonzero(low)
    bottom = rows[int(np.argmin(over[rows]))]
    drop = reference - float(over[bottom])
    states = view.fact("states")
    rpm = float(states.rpm[bottom])
    fixed = follows is not None and follows < FOLLOWS
    pump = "pump, filter or the pump's supply cannot keep up with the flow"
    hose = "regulator's hose to the manifold off or split"
    weak = "regulator worn or set too low"
    if fixed:
        causes = [Cause(cause=hose, probability=0.6), Cause(cause=weak, probability=0.15),
                  Cause(cause=pump, probability=0.1)]  # fmt: skip
        told = " The rail pressure hardly follows the manifold, whatever the engine speed."
    else:
        causes = [Cause(cause=pump, probability=0.65), Cause(cause=weak, probability=0.12),
                  Cause(cause=hose, probability=0.1)]  # fmt: skip
        told = " The rail follows the manifold otherwise, which speaks for the flow."
    volts = view.get("battery_voltage")
    supply = float("nan")
    if volts is not None and np.isfinite(volts[rows]).any():
        supply = float(np.nanmin(volts[rows]))
    checks = [
        Check(text="Pull the regulator's hose at idle: rail pressure has to rise at once "
              "(fuel under pressure: look for leaks first)", tool="gauge", engine="idle",
              minutes=5, decides=[hose]),
        Check(text="Measure the voltage at the pump itself under load", tool="meter",
              engine="driving", minutes=20, decides=[pump]),
        Check(text="Change the fuel filter, then measure the pump's delivery into a can",
              tool="gauge, can", engine="off_cold", minutes=45, decides=[pump, weak]),
    ]  # fmt: skip
    return [
        Finding(
            kind="low_fuel_pressure", severity="act",
            confidence=float(np.clip(0.7 + 0.005 * drop, 0.7, 0.95)),
            start_s=float(time[starts[0]]), end_s=float(time[ends[-1] - 1]),
            title="Fuel pressure falls under load",
            detail=f"Rail pressure over the manifold fell to {over[bottom]:.0f} kPa at "
            f"{clock(time[bottom])} and {rpm:.0f} rpm, {drop:.0f} kPa under its value at "
            f"{reference_name} ({reference:.0f} kPa); {starts.size} time"
            + ("s" if starts.size > 1 else "") + f".{told}",
            step=3, blocks=["lean_under_load", "lean_running", "injector_limit"],
            channels=["fuel_pressure"],
            evidence=evidence(least=(float(over[bottom]), "kPa"), below_reference=(drop, "kPa"),
                              engine_speed=(rpm, "rpm"), supply=(supply, "V")),
            likely_causes=causes,
            next_checks=checks if fixed else [checks[1], checks[0], checks[2]],
        )
    ]  # fmt: skip


def _figures(over: Floats, rpm: Floats, pressure: Floats | None, use: Bools) -> list[Figure]:
    if pressure is None:
        return []
    rows = np.flatnonzero(use & np.isfinite(over) & np.isfinite(pressure))
    if rows.size < 20:
        return []
    flow = rpm[rows] * pressure[rows] / 1e5
    pick = rows[np.linspace(0, rows.size - 1, min(rows.size, 300)).astype(np.int64)]
    # What a drop would show lies at the greatest flow: those rows are always drawn.
    hardest = rows[np.argsort(-flow, kind="stable")[:60]]
    pick = np.unique(np.concatenate([pick[::2], hardest]))[:300]
    x, y = scatter(rpm[pick] * pressure[pick] / 1e5, over[pick])
    return [
        Points(
            id="fuel-pressure-over-flow", title="Fuel pressure over fuel flow",
            caption="Fuel flow goes with engine speed times manifold pressure. Points on a level "
            "line mean the pressure is held; a line that falls to the right is a pump, filter or "
            "wiring at its limit.",
            x_label="engine speed times manifold pressure, 1000 rpm x 100 kPa", x_unit="1",
            y_label="rail over manifold", unit="kPa",
            x=x, y=y,
        )
    ]  # fmt: skip
