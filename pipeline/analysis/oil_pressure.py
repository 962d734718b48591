"""Oil pressure: does it come after the start, and does it hold hot?"""

import numpy as np

from pipeline.facts.states import States
from pipeline.meta import Meta
from pipeline.results import (
    Cause,
    Check,
    Finding,
    LimitOfDetection,
    Metric,
    Result,
    Severity,
    evidence,
    metric,
    not_judged,
)
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats
from pipeline.signals.smoothing import moving_mean
from pipeline.wording import clock

META = Meta(
    question="Is there oil pressure, after the start and hot?",
    version=1,
    kinds=("low_oil_pressure",),
    references=("Least oil pressures: common practice, no source; the maker's figure wins.",),
    needs=("oil_pressure", "engine_speed"),
    uses=("coolant_temperature", "oil_temperature"),
    facts=("states",),
    shortest_s=10.0,
    step=0,
)

#: kPa below which there is no pressure at all: gauges and sensors end about here.
NONE_KPA = 20.0
#: s that a low reading has to last: sensors are noisy.
HELD_S = 1.0
#: degC from which idle counts as hot: makers give their figures at 80 degC of oil (common practice,
#: no source); where only the coolant is logged, that of a closed thermostat about to open.
HOT_C = {"oil_temperature": 80.0, "coolant_temperature": 75.0}


def analyse(view: View) -> Result:
    """Rise after firing, hot idle, and speed."""
    states: States = view.fact("states")
    limits = view.limits
    time = view.time
    pressure = moving_mean(time, view.channel("oil_pressure"), seconds=0.5)
    known = np.isfinite(pressure) & states.running
    if known.sum() < 10:
        return not_judged("no oil pressure was logged while the engine ran")
    since = np.full(time.size, -1.0)
    for a, b in zip(*segments.runs(states.running), strict=True):
        since[a:b] = time[a:b] - time[a]
    up = known & (since >= limits.oil_rise_s)
    hot = _hot(view, time)
    idle = known & hot & states.mask("idle") & (since > 30.0)
    fast = up & (states.rpm > limits.oil_driving_rpm)
    metrics: dict[str, Metric] = {}
    if idle.sum() >= 20:
        middle = float(np.median(pressure[idle]))
        spread = float(np.std(pressure[idle])) / np.sqrt(max(1.0, idle.sum() / 100.0))
        metrics["oil_pressure_hot_idle_kpa"] = metric(
            middle, "kPa", middle - 1.96 * spread, middle + 1.96 * spread
        )
    found: list[tuple[Bools, Severity, str, float]] = []
    cases: list[tuple[Bools, Severity, str, float]] = [
        (up & (pressure < NONE_KPA), "stop", "none", NONE_KPA),
        (fast & (pressure < limits.oil_driving_kpa), "stop",
         f"low above {limits.oil_driving_rpm:.0f} rpm", limits.oil_driving_kpa),
        (idle & (pressure < limits.oil_idle_kpa), "act", "low at hot idle", limits.oil_idle_kpa),
    ]  # fmt: skip
    for rows, severity, what, least in cases:
        held = segments.long_runs(segments.fill_gaps(rows, time, seconds=1.0) & known, time,
                                  seconds=HELD_S)  # fmt: skip
        if held.any():
            found.append((held & rows, severity, what, least))
    findings = [_finding(time, pressure, found)] if found else []
    ran = float(np.sum(np.diff(time, append=time[-1:])[known]))
    least_seen = float(np.min(pressure[up])) if up.any() else float("nan")
    told = f"{least_seen:.0f} kPa at least while running" if up.any() else "too short to tell"
    if metrics:
        told += f", {metrics['oil_pressure_hot_idle_kpa'].value:.0f} kPa at hot idle"
    return Result(
        status="found" if findings else "clear",
        why=told + (f"; {findings[0].title.lower()}" if findings else ""),
        findings=findings,
        metrics=metrics,
        limits_of_detection={
            "low_oil_pressure": LimitOfDetection(could_show=bool(up.any()), over_s=ran)
        },
    )


def _hot(view: View, time: Floats) -> Bools:
    for name, hot_c in HOT_C.items():
        channel = view.get(name)
        if channel is not None and np.isfinite(channel).any():
            return np.asarray(np.nan_to_num(channel, nan=-99.0) >= hot_c)
    return np.zeros(time.size, np.bool_)


def _finding(
    time: Floats, pressure: Floats, found: list[tuple[Bools, Severity, str, float]]
) -> Finding:
    """One finding for the session: named after its worst part, over all of its stretches."""
    rows, severity, what, least = found[0]
    low = float(np.min(pressure[rows]))
    at = time[np.logical_or.reduce([part[0] for part in found])]
    also = "; also " + " and ".join(part[2] for part in found[1:]) if len(found) > 1 else ""
    return Finding(
        kind="low_oil_pressure",
        severity=severity,
        confidence=0.95,
        start_s=float(at[0]),
        end_s=float(at[-1]),
        title="Oil pressure: " + what,
        detail=f"{low:.0f} kPa at least between {clock(at[0])} and {clock(at[-1])}, where "
        f"{least:.0f} kPa or more are wanted{also}. An electric sensor can lie; an engine without "
        "oil pressure lasts minutes.",
        step=0,
        blocks=["rough_running"],
        channels=["oil_pressure"],
        evidence=evidence(least=(low, "kPa"), wanted=(least, "kPa")),
        likely_causes=[
            Cause(cause="oil level, pump or bearing clearance", probability=0.5),
            Cause(cause="oil pressure sensor", probability=0.4),
        ],
        next_checks=[
            Check(text="Stop the engine; check the oil level", tool="dipstick",
                  engine="off_hot", minutes=5, decides=["oil level, pump or bearing clearance"]),
            Check(text="Fit a mechanical gauge before running it again", tool="oil pressure gauge",
                  engine="idle", minutes=30,
                  decides=["oil level, pump or bearing clearance", "oil pressure sensor"]),
        ],
    )  # fmt: skip
