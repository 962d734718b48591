"""Injectors: how far open they are, what is left at the rev limit, whether they are too big."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from pipeline.meta import Meta
from pipeline.physics import fuel as fuels
from pipeline.physics import injector
from pipeline.results import (
    Cause,
    Check,
    Column,
    Figure,
    Finding,
    LimitOfDetection,
    Metric,
    Points,
    Quantity,
    Result,
    Severity,
    TableFigure,
    evidence,
    metric,
    not_judged,
    rounded,
    scatter,
)
from pipeline.session import View
from pipeline.signals import segments, smoothing
from pipeline.signals.segments import Bools, Floats
from pipeline.vehicle import DeadTime
from pipeline.wording import clock

META = Meta(
    question="Are the injectors large enough, with room to spare, and small enough to idle?",
    version=2,
    kinds=("injector_limit", "injector_minimum"),
    references=(
        "Duty by definition: pulse width over the time of two turns.",
        "Flow through an orifice grows with the root of the pressure across it (Bernoulli).",
        "80 to 90 % as usable ceiling: common practice, no source.",
    ),
    needs=("engine_speed",),
    needs_any=(("injector_duty", "injector_pulse_width"),),
    uses=("manifold_pressure", "lambda", "lambda_target", "coolant_temperature",
          "battery_voltage"),
    facts=("states", "atmosphere"),
    step=3,
)  # fmt: skip

#: degC from which an idle is a warm one, and s of it that are needed.
WARM_C = 70.0
WARM_IDLE_S = 5.0
#: kPa below the highest pressure in which the pulse for the extrapolation is taken.
PEAK_BAND_KPA = 8.0
#: Lambda over target beside the limit that makes it stop, share, and s it has to last.
LEAN_SHARE = 0.05
LEAN_S = 0.3
#: s lambda's reading comes after the pulse at full load (used to look, not to time).
LAMBDA_LATE_S = 0.4
#: % by which a logged duty and the one from pulse width may differ before it is told.
DISAGREE_PCT = 8.0
#: s of start-up in which pulses are cranking and after-start ones.
AFTER_START_S = 10.0
#: What the readings leave open (95 %): % of duty, logged in steps of half to one; ms of dead time,
#: which the file holds to a tenth as one number at one voltage, better as a table over volts.
#: Within it of the limit nobody can tell, and it is said at ``info``.
DUTY_OPEN_PCT = 0.5
NUMBER_OPEN_MS, TABLE_OPEN_MS = 0.05, 0.03


@dataclass(frozen=True)
class Duty:
    """Duty (n,) in %, where it comes from, and the median difference of both sources."""

    percent: Floats
    source: str
    difference: float


def analyse(view: View) -> Result:
    """Judge duty and the smallest pulse."""
    states = view.fact("states")
    duty = duty_of(view, states.rpm)
    started = states.first_running_s if states.first_running_s is not None else 0.0
    since = started + AFTER_START_S if states.start_seen else 0.0
    use = states.running & (view.time >= since)
    use &= np.isfinite(duty.percent) & (states.rpm > 400.0)
    if np.count_nonzero(use) < 10:
        return not_judged("too little running with injector readings")
    calm = np.where(use, smoothing.median_of_three(duty.percent), np.nan)
    most = float(np.nanmax(calm))
    findings = _limit(view, calm, states.rpm)
    minimum, net, idle_s = _minimum(view, states.mask("idle") & use)
    findings += minimum
    reach = _at_rev_limit(view, duty, use, states.rpm)
    metrics: dict[str, Metric] = {"injector_duty_max_pct": metric(most, "%")}
    why = f"{most:.0f} % of the time open at most"
    if reach is not None:
        why += f", about {reach:.0f} % expected at the rev limit with the highest pressure seen"
    if np.isfinite(net):
        why += f"; {net:.2f} ms net of dead time at warm idle"
    return Result(
        status="found" if findings else "clear",
        why=(findings[0].title + ": " if findings else "Injectors: ") + why,
        findings=findings,
        metrics=metrics,
        figures=_figures(view, calm, states.rpm, use, duty, reach),
        limits_of_detection={
            "injector_limit": LimitOfDetection(
                could_show=True,
                smallest=Quantity(value=view.limits.injector_duty_pct, unit="%"),
                over_s=rounded(float(smoothing.row_seconds(view.time)[use].sum()), 4),
            ),
            "injector_minimum": LimitOfDetection(
                could_show=bool(np.isfinite(net)), over_s=rounded(idle_s, 4)
            ),
        },
        digest={"rev_limit_duty": None if reach is None else rounded(reach, 3)},
    )


def duty_of(view: View, rpm: Floats) -> Duty:
    """Duty from the log, else from pulse width and speed; both compared where both are there."""
    logged, pulse = view.get("injector_duty"), view.get("injector_pulse_width")
    shots = view.vehicle.injector.shots_per_cycle
    own = None
    if pulse is not None:
        held = segments.hold(view.time, pulse, seconds=1.0)
        own = injector.duty_pct(pulse_width_ms=held, speed_rpm=np.maximum(rpm, 1.0),
                                shots_per_cycle=shots)  # fmt: skip
    if logged is None or not np.isfinite(logged).any():
        assert own is not None
        return Duty(own, "pulse width and engine speed", float("nan"))
    held = segments.hold(view.time, logged, seconds=1.0)
    if own is None:
        return Duty(held, "log", float("nan"))
    both = np.isfinite(held) & np.isfinite(own) & (held > 20.0)
    difference = float(np.median((held - own)[both])) if both.sum() > 20 else float("nan")
    return Duty(held, "log", difference)


def _lean(view: View) -> Bools:
    """Rows where lambda is leaner than its target by LEAN_SHARE, long enough."""
    measured, wanted = view.get("lambda"), view.get("lambda_target")
    if measured is None:
        return np.zeros(view.time.size, dtype=bool)
    measured = segments.hold(view.time, measured, seconds=1.0)
    goal = segments.hold(view.time, wanted, seconds=2.0) if wanted is not None else 0.90
    lean = measured > (1.0 + LEAN_SHARE) * np.asarray(goal)
    return segments.long_runs(lean, view.time, seconds=LEAN_S)


def _limit(view: View, calm: Floats, rpm: Floats) -> list[Finding]:
    limits, time = view.limits, view.time
    over = segments.long_runs(
        calm >= limits.injector_duty_pct, time, seconds=limits.injector_duty_s
    )
    starts, ends = segments.runs(over)
    if not starts.size:
        return []
    rows = np.flatnonzero(over)
    top = rows[int(np.nanargmax(calm[rows]))]
    most, total = float(calm[top]), float(smoothing.row_seconds(time)[over].sum())
    at_end = segments.long_runs(
        calm >= limits.injector_duty_act_pct, time, seconds=limits.injector_duty_s
    )
    lean_rows = _lean(view)
    late = np.interp(time - LAMBDA_LATE_S, time, at_end.astype(np.float64)) > 0.0
    lean = bool((lean_rows & (at_end | late) & (calm > 60.0)).any())
    sure = bool(
        segments.long_runs(
            calm >= limits.injector_duty_pct + DUTY_OPEN_PCT, time, seconds=limits.injector_duty_s
        ).any()
    )
    severity: Severity = "watch" if sure else "info"
    if at_end.any():
        severity = "stop" if lean else "act"
    small = "injectors too small for this power"
    low = "fuel pressure too low for the injectors to give their rated flow"
    return [
        Finding(
            kind="injector_limit", severity=severity,
            confidence=0.6 if not sure else 0.93 if total > 1.0 else 0.85,
            start_s=float(time[starts[0]]), end_s=float(time[ends[-1] - 1]),
            title="Injectors at their limit" if at_end.any() else "Injectors near their limit",
            detail=f"The injectors were open {most:.0f} % of the time at {rpm[top]:.0f} rpm "
            f"(at {clock(time[top])}), {total:.1f} s at or above {limits.injector_duty_pct:.0f} %. "
            "Beyond that they give no more fuel, and the mixture goes lean as speed rises."
            + (" Lambda did go lean while they were at the end." if lean else ""),
            step=0 if severity == "stop" else 3,
            blocks=["lean_under_load", "lean_target"] if at_end.any() else [],
            channels=["injector_duty" if view.has("injector_duty") else "injector_pulse_width"],
            evidence=evidence(duty=(most, "%"), engine_speed=(float(rpm[top]), "rpm"),
                              lasted=(total, "s")),
            likely_causes=[Cause(cause=small, probability=0.6), Cause(cause=low, probability=0.25)],
            next_checks=[
                Check(text="Compare the injectors' rated flow with what this power needs",
                      tool="data sheet", engine="off_cold", minutes=15, decides=[small]),
                Check(text="Measure the fuel pressure over manifold pressure in a run, or log it",
                      tool="gauge or sensor", engine="driving", minutes=30, decides=[low]),
            ],
        )
    ]  # fmt: skip


def _dead_time(view: View) -> Floats | float:
    dead = view.vehicle.injector.dead_time_ms
    if not isinstance(dead, DeadTime):
        return float(dead)
    volts = view.get("battery_voltage")
    if volts is None:
        return float(np.interp(13.8, dead.volts, dead.ms))
    held = np.nan_to_num(segments.hold(view.time, volts, seconds=10.0), nan=13.8)
    return injector.dead_time_ms(volts=held, table_volts=dead.volts, table_ms=dead.ms)


def _minimum(view: View, idle: Bools) -> tuple[list[Finding], float, float]:
    """Finding on a net pulse too short at warm idle; the net pulse in ms and seconds of idle."""
    pulse, coolant = view.get("injector_pulse_width"), view.get("coolant_temperature")
    if pulse is None:
        return [], float("nan"), 0.0
    warm = np.ones(view.time.size, dtype=bool)
    if coolant is not None:
        warm = segments.hold(view.time, coolant, seconds=10.0) >= WARM_C
    use = idle & warm & np.isfinite(pulse) & (np.nan_to_num(pulse) > 0.1)
    weights = smoothing.row_seconds(view.time)
    seconds = float(weights[use].sum())
    if seconds < WARM_IDLE_S:
        return [], float("nan"), seconds
    net = (pulse - _dead_time(view))[use]
    middle = float(np.median(net))
    if middle >= view.limits.injector_net_min_ms:
        return [], middle, seconds
    at = np.flatnonzero(use)
    given = view.vehicle.is_given("injector.dead_time_ms")
    table = isinstance(view.vehicle.injector.dead_time_ms, DeadTime)
    left = TABLE_OPEN_MS if table else NUMBER_OPEN_MS
    below = float(ndtr((view.limits.injector_net_min_ms - middle) / (left / 1.96)))
    sure = middle + left <= view.limits.injector_net_min_ms
    large = "injectors too large to meter an idle"
    wrong = "dead time in the controller or the vehicle file too long"
    return [
        Finding(
            kind="injector_minimum", severity="watch" if sure else "info",
            confidence=(0.85 if given else 0.55) * (1.0 if sure else below),
            start_s=float(view.time[at[0]]), end_s=float(view.time[at[-1]]),
            title="Injector pulses too short at idle",
            detail=f"At warm idle the pulse less its dead time is {middle:.2f} ms "
            f"(median over {seconds:.0f} s), below {view.limits.injector_net_min_ms:.1f} ms: "
            "there an injector meters unevenly from shot to shot."
            + ("" if sure else f" The dead time leaves {left:.2f} ms either way open: too near.")
            + ("" if given else " The dead time is a default here, not this injector's."),
            step=3, channels=["injector_pulse_width"],
            evidence=evidence(net_pulse=(middle, "ms"), either_way=(left, "ms"),
                              idle=(seconds, "s")),
            likely_causes=[Cause(cause=large, probability=0.6 if given else 0.4),
                           Cause(cause=wrong, probability=0.25 if given else 0.45)],
            next_checks=[
                Check(text="Compare the dead time in the controller with the injector's data "
                      "sheet at this voltage and pressure", tool="data sheet",
                      engine="off_cold", minutes=10, decides=[wrong]),
                Check(text="Lower the base fuel pressure within the injector's range and see "
                      "whether the idle steadies", tool="gauge", engine="idle", minutes=30,
                      decides=[large]),
            ],
        )
    ], middle, seconds  # fmt: skip


def _at_rev_limit(view: View, duty: Duty, use: Bools, rpm: Floats) -> float | None:
    """Duty to expect at the rev limit with the highest pressure seen: the same pulse, faster."""
    pressure = view.get("manifold_pressure")
    if pressure is None:
        return None
    calm = smoothing.median_of_three(segments.hold(view.time, pressure, seconds=1.0))
    good = use & np.isfinite(calm)
    if np.count_nonzero(good) < 10:
        return None
    near = good & (calm >= np.nanmax(calm[good]) - PEAK_BAND_KPA) & (rpm > 1500.0)
    if np.count_nonzero(near) < 3:
        return None
    pulse = duty.percent[near] / 100.0 * injector.cycle_time_ms(rpm[near])
    limit = view.vehicle.engine.rev_limit_rpm
    return float(injector.duty_pct(pulse_width_ms=float(np.median(pulse)), speed_rpm=limit))


def _figures(
    view: View, calm: Floats, rpm: Floats, use: Bools, duty: Duty, reach: float | None
) -> list[Figure]:
    rows = np.flatnonzero(use & (calm > 15.0))
    if rows.size < 10:
        return []
    pick = rows[np.linspace(0, rows.size - 1, min(rows.size, 300)).astype(np.int64)]
    note = f"Duty from {duty.source}."
    if abs(duty.difference) > DISAGREE_PCT:
        note += (
            f" The logged duty lies {duty.difference:.0f} % off the one from pulse width and "
            "speed: the log may count more shots per cycle, or both banks."
        )
    if not view.vehicle.injector.referenced_regulator:
        note += " The regulator does not follow the manifold: in boost the injectors give less."
    x, y = scatter(rpm[pick], calm[pick])
    figures: list[Figure] = [
        Points(
            id="injector-duty", title="Injector duty over engine speed",
            caption="Each point is a row under load. Along full throttle the points climb with "
            f"speed; {view.limits.injector_duty_pct:.0f} % is the most to plan with. {note}",
            x_label="engine speed", x_unit="rpm", y_label="duty", unit="%",
            x=x, y=y,
        )
    ]  # fmt: skip
    table = _room(view, calm, rpm, reach)
    return [*figures, table] if table is not None else figures


def _room(view: View, calm: Floats, rpm: Floats, reach: float | None) -> Figure | None:
    rows: list[list[str | float | None]] = []
    top = int(np.nanargmax(calm))
    rows.append(["most duty seen", rounded(float(calm[top]), 3), "%"])
    rows.append(["at engine speed", rounded(float(rpm[top]), 4), "rpm"])
    if reach is not None:
        rows.append(["expected at the rev limit", rounded(reach, 3), "%"])
    flow = view.vehicle.injector.flow_cc_min
    if flow is not None:
        count = view.vehicle.engine.cylinders
        grams = injector.flow_g_s(
            flow_cc_min=flow, density_kg_m3=fuels.KIND_DENSITY[view.vehicle.fuel.kind]
        )
        all_of_them = float(grams) * count * float(calm[top]) / 100.0
        rows.append(["fuel flow of all injectors at that duty", rounded(all_of_them, 3), "g/s"])
    pressure = view.get("manifold_pressure")
    if not view.vehicle.injector.referenced_regulator and pressure is not None:
        factor = injector.unreferenced_factor(
            manifold_kpa=float(np.nanmax(pressure)),
            barometer_kpa=view.fact("atmosphere").median_kpa,
            rail_gauge_kpa=view.vehicle.injector.rated_pressure_kpa,
        )
        rows.append(["flow at the highest pressure over the rated flow",
                     rounded(float(factor), 3), "1"])  # fmt: skip
    return TableFigure(
        id="injector-room", title="What is left of the injectors",
        caption="The duty at the rev limit assumes the pulse of the highest pressure seen. Fuel "
        "flow is rated flow times duty, dead time not taken off: an upper bound.",
        columns=[Column(title="what"), Column(title="value"), Column(title="unit")], rows=rows,
    )  # fmt: skip
