"""Air where it does not belong: behind the throttle or air meter, or before the lambda sensor."""

from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np

from pipeline.analysis import _leak_shape as shapes
from pipeline.analysis._leak_shape import LeanShape, RestIdle, lean_shape, rest_idle
from pipeline.facts.mixture_inputs import MixtureInputs
from pipeline.facts.states import States
from pipeline.meta import Earlier, Meta, Own
from pipeline.results import (
    Cause,
    Check,
    Finding,
    LimitOfDetection,
    Quantity,
    Result,
    evidence,
    rounded,
)
from pipeline.session import View
from pipeline.vehicle import Vehicle

META = Meta(
    question="Does air leak into the intake or into the exhaust before the sensor?",
    version=1,
    kinds=("intake_leak", "exhaust_leak"),
    references=(
        "dilution of exhaust by leaked air: oxygen balance",
        "idle pressure, air control and lean bias over flow: common practice, no source",
    ),
    needs=("engine_speed",),
    uses=("manifold_pressure", "mass_air_flow", "idle_air_control", "idle_speed_target",
          "coolant_temperature", "lambda", "vehicle_speed"),
    facts=("states",),
    optional_facts=("mixture_inputs",),
    shortest_s=30.0,
    step=2,
)  # fmt: skip

# Sizes: common practice, no source, unless said. Confidences: shares that were true among leaks
# told (tests/judge areas sensors and diagnosis, seeds 110-121 and 440-473), kept off 1 by the few
# dozen that there were.
EXHAUST_PCT = 4.0  # bias at the smallest flow above that at large flow; finished tables stay below
UNTHROTTLED_KPA = 80.0  # an engine that idles above it is not throttled: no vacuum to leak into
EXHAUST_RISE_PCT = 3.0  # over the vehicle's own; less where the shape is clean and shrinks
CLEAN_BONUS_PCT = 0.5
LEAN_PCT = 2.5  # at the smallest flow: less is the reading's own uncertainty
METER_PCT = 4.2  # the same for metered engines, whose idle cells are rarely finished
NO_VACUUM_KPA = 44.0  # warm idles, raised ones too, lie at 25 to 43
HIGH_IDLE_KPA = (46.0, 80.0)  # warm idles of open logs lie at 25-43; a diesel's above 90
#: Constant part of the bias over its part in 1/flow: as large, it keeps most of itself at large
#: flow, which no leak does; from a third on, a table's own error makes the rest as easily.
NO_LEAK_SHARE, TABLE_SHARE = 1.0, 0.35
CHARGING_V = 12.8  # no alternator charges below it: dead times grow, and pulses shrink as 1/flow
CLEAN_SHAPE = 0.25  # misfit below this share of the bias: 1/flow describes it wholly
SHAPE_SHARE = 0.45  # largest distance from 1/flow, as a share of the bias
FURTHER_CLOSED_PCT = 2.0  # a healthy control comes back to within 1 % of its place
CLOSED_PCT = 1.2  # an air control that is shut
OVER_RPM = 35.0  # idle speed above its target with the control shut
CREEPS_S = 20.0  # any car rolls so for some seconds before it stops; a leak pushes it on
FAR_OVER_RPM = 250.0  # a warm idle this far over its target gets air nobody gives it
#: %: an air control that stands open gives the air itself, unless the manifold stands where no
#: throttled idle does; one that sweeps so far hunts, and its middle says nothing.
OPEN_PCT, WIDE_PCT, HUNTS_PCT = 5.0, 40.0, 30.0
LEAN_ON_TARGET_PCT = 6.0
OWN_SESSIONS = 2
PAIR = ("intake leak", "exhaust leak before the sensor")
NOT_APART = "this log does not tell them apart for certain, but only an exhaust's shrinks with heat"

#: Channels, as far as logged, that show the idle's extra air; and, by load sensing, those that
#: the flow is known from: a wrong one bends the shape over flow.
REST_SHOWN_BY = ("idle_air_control", "engine_speed", "manifold_pressure", "vehicle_speed")
FLOW_BY = {"speed_density": ("manifold_pressure",), "air_meter": ("mass_air_flow",)}


def analyse(view: View) -> Result:
    """Measure idle and lean bias; judge what needs no history."""
    states: States = view.fact("states")
    m: MixtureInputs | None = view.fact("mixture_inputs")
    sensing = view.vehicle.engine.load_sensing or (
        "air_meter" if view.has("mass_air_flow") and not view.has("manifold_pressure")
        else "speed_density"
    )  # fmt: skip
    idle = rest_idle(
        view.time, states, m, coolant=view.get("coolant_temperature"),
        speed=view.get("vehicle_speed"), pressure=view.get("manifold_pressure"),
        air_control=view.get("idle_air_control"), target=view.get("idle_speed_target"),
    )  # fmt: skip
    shape = lean_shape(view.time, m) if m is not None else None
    if idle is None and shape is None:
        return Result(
            status="not_judged",
            why="no warm idle at rest, and too little settled running with lambda and its target",
        )
    digest: dict[str, Any] = {
        "sensing": sensing,
        "duration_s": view.duration_s,
        "idle": None if idle is None else _plain(idle),
        "shape": None if shape is None else _plain(shape),
        "barometer_kpa": rounded(states.barometer_kpa, 4),
    }
    return _conclude(digest, view.vehicle, ())


def judge(own: Own, history: Sequence[Earlier]) -> Result:
    """Judge again with the vehicle's own idle and bias of earlier sessions."""
    if "sensing" not in own.result.digest:
        return own.result
    past = [e for e in history if e.digest.get("sensing") == own.result.digest["sensing"]]
    judged = _conclude(own.result.digest, own.vehicle, past[-20:])
    return msgspec.structs.replace(judged, metrics=own.result.metrics, figures=own.result.figures)


def _conclude(digest: dict[str, Any], vehicle: Vehicle, past: Sequence[Earlier]) -> Result:
    idle = RestIdle(**digest["idle"]) if digest["idle"] else None
    shape = LeanShape(**digest["shape"]) if digest["shape"] else None
    end = float(digest["duration_s"])
    clean = [e for e in past if not any(f.kind in META.kinds for f in e.findings)]
    own_p = _own(clean, "idle", "pressure")
    own_air = _own(clean, "idle", "air_control")
    own_shapes = [LeanShape(**e.digest["shape"]) for e in clean if e.digest.get("shape")]
    sensing = str(digest["sensing"])
    unmetered = idle is not None and _extra_air(idle, own_air) and not _counted(idle)
    findings = []
    lean_low = shape is not None and _falls_with_flow(shape, own_shapes, sensing)
    if sensing == "speed_density":
        found = _speed_density(idle, own_p, own_air, vehicle, end) if idle is not None else None
        findings += [found] if found is not None else []
        if lean_low and shape is not None:
            findings.append(_exhaust(shape, own_shapes, end, sensing, tie=False))
    elif lean_low and shape is not None:
        bias = shape.low - shape.high
        # an air control says something only beside its usual place
        placed = len(own_air) >= OWN_SESSIONS and idle is not None and idle.air_control is not None
        mute = idle is None or (not placed and idle.over_target is None)
        if unmetered or bias > 25.0 or (not shapes.shrinks(shape) and (mute or bias > 20.0)):
            sure = 0.95 if unmetered else 0.93
            findings.append(_metered(shape, idle, end, sure, tie=not unmetered))
        else:
            findings.append(_exhaust(shape, own_shapes, end, sensing, tie=True))
    elif unmetered and idle is not None:
        findings.append(_shut(idle, end, 0.85))
    why = (
        "; ".join(f.detail.split(". ")[0] for f in findings) + "."
        if findings
        else _nothing(idle, shape, own_p)
    )
    could_exhaust = shape is not None
    could_intake = idle is not None and (
        (sensing == "speed_density"
         and (idle.air_control is not None or (idle.pressure is not None and bool(own_p))))
        or (sensing != "speed_density" and shape is not None)
    )  # fmt: skip
    return Result(
        status="found" if findings else "clear",
        why=why,
        findings=findings,
        digest=digest,
        limits_of_detection={
            "exhaust_leak": LimitOfDetection(
                could_show=could_exhaust,
                smallest=Quantity(value=EXHAUST_PCT, unit="%") if could_exhaust else None,
                over_s=round(shape.seconds, 1) if shape else 0.0,
            ),
            "intake_leak": LimitOfDetection(
                could_show=could_intake,
                smallest=Quantity(value=vehicle.limits.idle_pressure_rise_kpa, unit="kPa")
                if could_intake and sensing == "speed_density" else None,
                over_s=round(idle.seconds, 1) if idle else 0.0,
            ),
        },
    )  # fmt: skip


def _plain(data: Any) -> dict[str, float | None]:
    return {k: None if v is None else rounded(float(v), 5) for k, v in vars(data).items()}


def _own(past: Sequence[Earlier], part: str, name: str) -> list[float]:
    values = [(e.digest.get(part) or {}).get(name) for e in past]
    return [float(v) for v in values if v is not None]


def _extra_air(idle: RestIdle, own_air: Sequence[float]) -> bool:
    """Whether the engine gets air at idle that nobody gives it."""
    over = idle.over_target is not None and idle.over_target >= OVER_RPM
    shut = idle.air_control is not None and idle.air_control <= CLOSED_PCT
    lower = _further_closed(idle, own_air)
    if idle.air_control is not None and idle.air_control > WIDE_PCT:
        return False
    if idle.creeping:
        return over and idle.seconds >= CREEPS_S
    if idle.air_swing is not None and idle.air_swing > HUNTS_PCT:
        return False
    if idle.over_target is not None and idle.over_target >= FAR_OVER_RPM:
        held_open = idle.air_control is not None and idle.air_control > OPEN_PCT
        low = idle.pressure is not None and idle.pressure < NO_VACUUM_KPA
        return not (held_open and low and not lower)
    return (over and (shut or lower or idle.air_control is None)) or (shut and lower)


def _counted(idle: RestIdle) -> bool:
    """Whether fuel matched all of the idle's air: a metered engine misses air that leaks in.

    Trims that no log shows can hide that, which a control that is shut then tells all the same.
    """
    shut = idle.air_control is not None and idle.air_control <= CLOSED_PCT
    return idle.lean is not None and idle.lean < LEAN_PCT and not (idle.lean_hidden and shut)


def _further_closed(idle: RestIdle, own_air: Sequence[float]) -> bool:
    """Whether the air control stands further closed than this vehicle's own."""
    return (
        idle.air_control is not None and len(own_air) >= OWN_SESSIONS
        and idle.air_control <= float(np.median(own_air)) - FURTHER_CLOSED_PCT
    )  # fmt: skip


def _falls_with_flow(shape: LeanShape, own: Sequence[LeanShape], sensing: str) -> bool:
    """Whether the bias is lean at small flow and falls off as 1/flow.

    What the table's own unevenness adds to both stands in the vehicle's earlier sessions.
    """
    bias, misfit = shape.low - shape.high, shape.misfit
    clean = misfit <= CLEAN_SHAPE * shape.fit_idle
    if clean:
        bias = max(bias, shape.fit_idle)  # large flow has its share of the leak too
    least = EXHAUST_PCT if sensing == "speed_density" else METER_PCT
    lean = LEAN_PCT
    if len(own) >= OWN_SESSIONS:
        usual = float(np.median([s.low - s.high for s in own]))
        rise = EXHAUST_RISE_PCT - (CLEAN_BONUS_PCT if clean and shapes.shrinks(shape) else 0.0)
        if bias - usual < rise:
            return False
        least, lean = min(least, rise + max(usual, 0.0)), min(lean, 0.8 * rise)
        misfit = max(misfit - float(np.median([s.misfit for s in own])), 0.0)
    return (
        bias >= least and shape.low > lean and shape.fit_idle >= 0.6 * least
        and misfit <= SHAPE_SHARE * bias + 1.5 and shape.falling >= 0.6
        and not shapes.grows(shape) and shapes.unshared(shape, own, OWN_SESSIONS) < NO_LEAK_SHARE
    )  # fmt: skip


def _speed_density(
    idle: RestIdle, own_p: Sequence[float], own_air: Sequence[float], vehicle: Vehicle, end: float
) -> Finding | None:
    limit = vehicle.limits.idle_pressure_rise_kpa
    idle = idle.against_file(vehicle, shut_pct=CLOSED_PCT)
    over = idle.over_target is not None and idle.over_target >= OVER_RPM
    on_target = idle.lean is None or abs(idle.lean) <= LEAN_ON_TARGET_PCT
    extra = _extra_air(idle, own_air)
    throttled = len(own_p) >= OWN_SESSIONS and float(np.median(own_p)) < UNTHROTTLED_KPA
    if idle.pressure is not None and throttled:
        usual = float(np.median(own_p))
        rise = idle.pressure - usual
        closed = _further_closed(idle, own_air) and not idle.creeping
        sure_air = (extra or over or closed
                    or (idle.air_control is None and idle.over_target is None))  # fmt: skip
        if rise >= limit and sure_air and on_target:
            sure = 0.95 if extra or over or closed else 0.8
            air = "" if idle.air_control is None else f", air control at {idle.air_control:.0f} %"
            return _intake(
                end, sure,
                f"At warm idle the manifold stands at {idle.pressure:.1f} kPa, {rise:.1f} kPa over "
                f"this vehicle's own{air}",
                {"idle_pressure": (idle.pressure, "kPa"), "over_own": (rise, "kPa"),
                 **_idle_evidence(idle)}, REST_SHOWN_BY, tie=False,
            )  # fmt: skip
    high = idle.pressure is not None and HIGH_IDLE_KPA[0] <= idle.pressure <= HIGH_IDLE_KPA[1]
    high &= idle.air_control is None or idle.air_control <= WIDE_PCT
    if idle.creeping and not (high and over and idle.seconds >= CREEPS_S):
        return None
    sure = 0.8 if idle.air_control is None else 0.93
    return _shut(idle, end, sure if on_target else 0.6) if extra or (high and over) else None


def _shut(idle: RestIdle, end: float, sure: float) -> Finding:
    over = "" if idle.over_target is None else f", {idle.over_target:.0f} rpm too fast,"
    control = (
        "" if idle.air_control is None else f" with the air control at {idle.air_control:.0f} %"
    )
    stands = "" if idle.pressure is None else f", the manifold at {idle.pressure:.0f} kPa"
    return _intake(end, sure, f"The warm engine idles at {idle.rpm:.0f} rpm{over}{control}{stands}",
                   _idle_evidence(idle), REST_SHOWN_BY, tie=False)  # fmt: skip


def _metered(
    shape: LeanShape, idle: RestIdle | None, end: float, sure: float, *, tie: bool
) -> Finding:
    seen = (
        f"The mixture is {shape.low:.0f} % lean at {shape.flow_low:.1f} g/s and "
        f"{shape.high:.0f} % at large flow: air that is not metered"
    )
    return _intake(end, sure, seen, {"lean_low_flow": (shape.low, "%"),
                   "lean_large_flow": (shape.high, "%"),
                   **(_idle_evidence(idle) if idle is not None else {})},
                   ("lambda", "mass_air_flow", *REST_SHOWN_BY),
                   tie=tie)  # fmt: skip


def _idle_evidence(idle: RestIdle) -> dict[str, tuple[float, str]]:
    out: dict[str, tuple[float, str]] = {"idle_speed": (idle.rpm, "rpm")}
    for name, value, unit in (("air_control", idle.air_control, "%"),
                              ("over_target", idle.over_target, "rpm"),
                              ("lean_at_idle", idle.lean, "%")):  # fmt: skip
        if value is not None:
            out[name] = (value, unit)
    return out


def _intake(
    end: float, sure: float, seen: str, shown: dict[str, tuple[float, str]],
    channels: Sequence[str], *, tie: bool,
) -> Finding:  # fmt: skip
    other = 0.35 if tie else 0.08
    tail = f" An {PAIR[1]} looks the same here: {NOT_APART}." if tie else ""
    return Finding(
        kind="intake_leak", severity="watch", confidence=round(sure, 3), start_s=0.0, end_s=end,
        title="Air seems to enter the intake past the throttle",
        detail=f"{seen}. Mend it before any tuning: the table would be bent around it.{tail}",
        step=2, blocks=["lean_running", "rich_running", "trim_limit", "idle_hunting", "stall"],
        channels=list(channels),
        evidence=evidence(**shown),
        likely_causes=[Cause(cause=PAIR[0], probability=0.9 - other - 0.1),
                       Cause(cause=PAIR[1], probability=other),
                       Cause(cause="throttle stop screw or idle control", probability=0.12)],
        next_checks=[
            Check(text="Smoke or soap test of hoses and gaskets, engine off",
                  tool="smoke machine or low-pressure air and soap", engine="off_cold", minutes=30,
                  decides=list(PAIR)),
        ],
    )  # fmt: skip


def _exhaust(
    shape: LeanShape, own: Sequence[LeanShape], end: float, sensing: str, *, tie: bool
) -> Finding:
    both = None not in (shape.cold, shape.warm)
    sure = 0.92 if both and shapes.shrinks(shape) else 0.88
    alike = both and not shapes.shrinks(shape)  # as a table's error is: no history, no certainty
    sure += 0.04 if len(own) >= OWN_SESSIONS else -0.1 if alike else 0.0
    sure -= 0.02 if tie else 0.0  # a metered engine's intake leak shows in its idle as a rule
    slow_valves = shape.volts is not None and shape.volts < CHARGING_V
    uneven = abs(shapes.unshared(shape, own, OWN_SESSIONS)) > TABLE_SHARE
    causes = [Cause(cause=PAIR[1], probability=0.5 if tie else 0.72),
              Cause(cause=PAIR[0], probability=0.35 if tie else 0.06),
              Cause(cause="injector data at small pulses", probability=0.1)]  # fmt: skip
    if uneven:
        causes = [
            Cause(cause="the fuel table is not finished", probability=0.5),
            *(Cause(cause=c.cause, probability=0.5 * c.probability) for c in causes),
        ]
    heat, as_flow = "", f"{'in part ' if uneven else ''}as 1/flow"
    shown = {"lean_low_flow": (shape.low, "%"), "lean_large_flow": (shape.high, "%"),
             "at_flow": (shape.flow_low, "g/s")}  # fmt: skip
    if shape.cold is not None and shape.warm is not None:
        heat = f"; cold metal {shape.cold:.0f} %, warm {shape.warm:.0f} %"
        shown |= {"lean_cold": (shape.cold, "%"), "lean_warm": (shape.warm, "%")}
    tail = f" An {PAIR[0]} looks much the same on a metered engine: {NOT_APART}." if tie else ""
    sure = 0.4 if slow_valves or uneven else sure
    if slow_valves:
        tail += (f" At {shape.volts:.1f} V injectors open late, which leans small flows as much: "
                 "not judged until the battery is charged again.")  # fmt: skip
    elif uneven:
        tail += (
            " What is left at large flow is no leak's, and a table that is not finished errs "
            "so too: not judged until its correction is in and a log shows what stays."
        )
    return Finding(
        kind="exhaust_leak", severity="info" if slow_valves or uneven else "watch",
        confidence=round(sure, 3), start_s=0.0, end_s=end,
        title="Air seems to leak into the exhaust before the lambda sensor",
        detail=f"The reading is {shape.low:.0f} % lean at {shape.flow_low:.1f} g/s and "
        f"{shape.high:.0f} % at large flow, {as_flow}{heat}. The engine itself may run richer than "
        f"shown.{tail} Exhaust gas in the cabin carries carbon monoxide: windows open.",
        step=2, blocks=["lean_running", "rich_running", "trim_limit", "transient_mixture"],
        channels=["lambda", *FLOW_BY.get(sensing, ())],
        evidence=evidence(**shown),
        likely_causes=causes,
        next_checks=[
            Check(text="Cold start, listen and soap the joints before the sensor", tool="soap, ear",
                  engine="idle", minutes=15, decides=list(PAIR)),
        ],
    )  # fmt: skip


def _nothing(idle: RestIdle | None, shape: LeanShape | None, own_p: Sequence[float]) -> str:
    parts = []
    if shape is not None:
        stays = ", where no leak is as lean" if shape.high > EXHAUST_PCT else ""
        parts.append(f"the lean bias at small flow is {shape.low - shape.high:+.1f} % over that at "
                     f"large flow{stays}")  # fmt: skip
    if idle is not None and idle.pressure is not None:
        rise = f", {idle.pressure - float(np.median(own_p)):+.1f} kPa to its own" if own_p else ""
        parts.append(f"the warm idle stands at {idle.pressure:.1f} kPa{rise}")
    return ("nothing speaks of a leak: " + " and ".join(parts)) if parts else "no sign of a leak"
