"""Signal and supply: speed that drops out, a controller that starts again, stalls, gaps."""

from collections.abc import Sequence

import msgspec
import numpy as np

from pipeline.analysis._controller_resets import edges_of, reset_finding, resets
from pipeline.analysis._stalls import engine_stops
from pipeline.facts.states import States
from pipeline.meta import Earlier, Meta, Own
from pipeline.results import (
    Cause,
    Check,
    Finding,
    LimitOfDetection,
    Result,
    Severity,
    evidence,
)
from pipeline.session import View
from pipeline.signals import segments
from pipeline.wording import clock, lasting, none_or

META = Meta(
    question="Did signal and supply hold while the engine ran?",
    version=1,
    kinds=("crank_signal_loss", "controller_reset", "stall", "log_gap"),
    references=(
        "Signs of lost crank signal, resets and stalls: common practice, no source.",
    ),
    needs=("engine_speed",),
    uses=("crank_signal_errors", "run_time", "battery_voltage", "manifold_pressure",
          "vehicle_speed", "throttle_position", "injector_pulse_width", "injector_duty"),
    facts=("states",),
    step=1,
)  # fmt: skip

#: s after firing and before the stop that are left out: speed is uncertain there by nature.
AFTER_FIRING_S, BEFORE_STOP_S = 2.0, 1.0
#: Hz of speed updates below which a stall cannot be told from switching off.
LEAST_HZ = 4.0
#: kPa: a lost signal at this pressure is dangerous, by the contract.
LOADED_KPA = 100.0


def analyse(view: View) -> Result:
    """Look for drop-outs, restarts of the controller, stalls and gaps."""
    states: States = view.fact("states")
    findings = [*_signal(view, states), *resets(view, states), *_stalls(view, states)]
    findings += _gaps(view)
    ran = float(np.sum(np.diff(view.time, append=view.time[-1:])[states.running]))
    rate = view.info("engine_speed").effective_hz
    loud = [f for f in findings if f.severity != "info"]
    return Result(
        status="found" if findings else "clear",
        why=loud[0].title
        if loud
        else (
            f"the speed signal held for {lasting(ran)} of running"
            if ran > 0.0
            else "the engine did not run, so its signal was not tried"
        )
        + f"; {none_or(sum(f.kind == 'log_gap' for f in findings), 'gap')} in the log",
        findings=findings,
        limits_of_detection={
            "crank_signal_loss": LimitOfDetection(could_show=ran > 10.0, over_s=ran),
            "controller_reset": LimitOfDetection(
                could_show=view.has("run_time") or view.continues is not None, over_s=ran
            ),
            "stall": LimitOfDetection(could_show=ran > 10.0 and rate >= LEAST_HZ, over_s=ran),
            "log_gap": LimitOfDetection(could_show=True, over_s=view.duration_s),
        },
        digest=edges_of(view, states),
    )


def judge(own: Own, history: Sequence[Earlier]) -> Result:
    """Tell a reset that cut the log from one that somebody stopped and started."""
    if own.continues is None or not own.result.digest:
        return own.result
    before = [e for e in history if e.session_id == own.continues]
    if not before or not before[-1].digest:
        return own.result
    then, now = before[-1].digest, own.result.digest
    alive = bool(then.get("ended_alive"))
    again = now.get("run_time_start")
    restarted = (again is not None and again < own.vehicle.limits.controller_reset_s) or (
        again is None and bool(now.get("began_dead"))
    )
    gap = now.get("continued_after_s")
    soon = gap is None or gap <= own.vehicle.limits.controller_reset_s
    if not (alive and restarted and soon):
        return own.result
    finding = reset_finding(
        0.0, 0.0, 0.85 if again is not None else 0.6, then.get("least_volts"),
        f"The log before this one ({own.continues}) broke off while the engine "
        + ("was cranked" if then.get("ended_cranking") else "ran")
        + " and this one begins with the controller just started",
    )  # fmt: skip
    return msgspec.structs.replace(
        own.result,
        findings=[finding, *own.result.findings],
        status="found",
        why=finding.title,
    )


def _signal(view: View, states: States) -> list[Finding]:
    time = view.time
    inside = np.zeros(time.size, np.bool_)
    for a, b in zip(*segments.runs(states.running), strict=True):
        span = (time >= time[a] + AFTER_FIRING_S) & (time <= time[b - 1] - BEFORE_STOP_S)
        inside |= span
    lost = np.flatnonzero(inside & states.dropout)
    moments = time[lost[np.r_[True, np.diff(lost) > 1]]] if lost.size else np.array([])
    rises = 0.0
    counter = view.get("crank_signal_errors")
    if counter is not None:
        good = np.flatnonzero(np.isfinite(counter) & inside)
        if good.size > 1:
            step = np.diff(counter[good])
            near = np.diff(good) < 200
            up = np.flatnonzero((step > 0) & near)
            rises = float(step[up].sum())
            moments = np.sort(np.concatenate([moments, time[good[up + 1]]]))
    if moments.size == 0:
        return []
    pressure = view.get("manifold_pressure")
    at = np.clip(np.searchsorted(time, moments), 0, time.size - 1)
    loaded = pressure is not None and bool(np.nanmax(pressure[at], initial=0.0) > LOADED_KPA)
    events = int(1 + np.sum(np.diff(moments) > 1.0))
    severity: Severity = "act" if events > 1 or loaded else "watch"
    known = states.rpm[at][np.isfinite(states.rpm[at])]
    rpm = float(np.median(known)) if known.size else np.nan
    # What is read while the signal is gone is no speed of the engine.
    rpm = rpm if rpm > 100.0 else np.nan
    return [
        Finding(
            kind="crank_signal_loss",
            severity=severity,
            confidence=0.97 if rises and events > 1 else 0.95,
            start_s=float(moments[0]),
            end_s=float(moments[-1]),
            title="The crank signal was lost while the engine ran",
            detail=("Once" if events == 1 else f"{events} times")
            + (f", around {rpm:.0f} rpm" if np.isfinite(rpm) else "")
            + (", also above 100 kPa" if loaded else "")
            + (f"; the controller counted {rises:.0f} errors" if rises else
               "; the speed fell to nothing while the engine turned on") + ".",
            step=1,
            blocks=["rough_running", "misfire_under_load"],
            channels=["engine_speed"],
            evidence=evidence(events=(float(events), "1"), counted=(rises, "1"),
                              around=(rpm, "rpm")),
            likely_causes=[
                Cause(cause="sensor gap, polarity or loose sensor", probability=0.45),
                Cause(cause="shield or wiring picks up ignition noise", probability=0.35),
                Cause(cause="supply to the controller", probability=0.1),
            ],
            next_checks=[
                Check(text="Check the crank sensor's gap, screw and plug", tool="feeler gauge",
                      engine="off_cold", minutes=20,
                      decides=["sensor gap, polarity or loose sensor"]),
                Check(text="Check that the shield is grounded at one end and runs clear of coils "
                      "and leads", tool="eyes, ohmmeter", engine="off_cold", minutes=20,
                      decides=["shield or wiring picks up ignition noise"]),
            ],
        )
    ]  # fmt: skip


def _stalls(view: View, states: States) -> list[Finding]:
    if view.info("engine_speed").effective_hz < LEAST_HZ:
        return []
    stops = [s for s in engine_stops(view, states) if s.how != "switched_off"]
    died = [s for s in stops if s.how == "died"]
    told = died or stops
    if not told:
        return []
    count, first = len(told), told[0]
    by_itself = bool(died)
    clutch = Cause(cause="driver's clutch", probability=0.15 if by_itself else 0.8)
    return [
        Finding(
            kind="stall",
            severity="watch" if by_itself else "info",
            # What is told of a choked engine is that it stalled, not that it died by itself.
            confidence=max(s.sure for s in told),
            start_s=first.at_s - 1.0,
            end_s=told[-1].at_s,
            title="The engine stopped by itself" if by_itself else "The engine was stalled",
            detail=(f"{count} times, the first at " if count > 1 else "At ")
            + f"{clock(first.at_s)}: {first.sign}. "
            + ("A driver's clutch can look alike; from here they cannot be told apart for certain."
               if by_itself else "That is most likely the driver's clutch, not the engine."),
            step=2,
            channels=["engine_speed"],
            evidence=evidence(stalls=(float(count), "1"), idle_speed=(states.idle_rpm, "rpm")),
            likely_causes=[
                *([] if by_itself else [clutch]),
                Cause(cause="idle air control slow or sticking",
                      probability=0.45 if by_itself else 0.1),
                *([clutch] if by_itself else []),
                Cause(cause="mixture on the way down to idle",
                      probability=0.2 if by_itself else 0.05),
            ],
            next_checks=[
                Check(text="Watch whether the idle air control opens as the speed comes down; "
                      "clean it", tool="log with idle air control, cleaner", engine="idle",
                      minutes=15, decides=["idle air control slow or sticking"]),
            ],
        )
    ]  # fmt: skip


def _gaps(view: View) -> list[Finding]:
    limits = view.limits
    if not view.gaps:
        return []
    usual = float(np.median(np.diff(view.time))) if view.time.size > 1 else 0.0
    least = max(limits.log_gap_s, limits.log_gap_intervals * usual)
    gaps = [g for g in view.gaps if g.end_s - g.start_s >= least]
    if not gaps:
        return []
    total = sum(g.end_s - g.start_s for g in gaps)
    return [
        Finding(
            kind="log_gap",
            severity="info",
            confidence=0.99,
            start_s=gaps[0].start_s,
            end_s=gaps[-1].end_s,
            title="The log has holes",
            detail=f"{len(gaps)} stretches without a row, {total:.0f} s together; what happened "
            "in them nobody knows.",
            step=1,
            evidence=evidence(gaps=(float(len(gaps)), "1"), together=(total, "s")),
            likely_causes=[Cause(cause="logger, cable or storage", probability=0.8)],
            next_checks=[
                Check(text="Check the logger's cable and storage", tool="hand", engine="off_cold",
                      minutes=5, decides=["logger, cable or storage"])
            ],
        )
    ]  # fmt: skip
