"""Signal and supply: speed that drops out, a controller that starts again, stalls, gaps."""

from collections.abc import Sequence

import msgspec
import numpy as np

from pipeline.analysis._stalls import engine_stops
from pipeline.facts._running import TURNING_RPM
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
from pipeline.signals.segments import Floats
from pipeline.wording import clock

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
#: Share of idle speed: a counter that ends below it ended with the engine.
DYING = 0.75
#: s: an engine without fuel stands within a second or two.
RUN_OUT_S = 1.5
#: s round the first firing in which a counter of run time may begin anew.
FIRING_SLACK_S = 2.0
#: s within which the counter has to count again: one that stays at 0 only says "stopped".
COUNTS_ON_S = 3.0
#: s over which a counter is seen to count, s before its fall that are not believed, and s that
#: cranking may lie before the reset it causes.
COUNTED_S, UNSURE_S, CRANKED_S = 2.0, 0.3, 0.5
#: V: a supply that falls below this resets most controllers (common practice, no source).
RESET_V = 8.0


def analyse(view: View) -> Result:
    """Look for drop-outs, restarts of the controller, stalls and gaps."""
    states: States = view.fact("states")
    findings = [*_signal(view, states), *_resets(view, states), *_stalls(view, states)]
    findings += _gaps(view)
    ran = float(np.sum(np.diff(view.time, append=view.time[-1:])[states.running]))
    rate = view.info("engine_speed").effective_hz
    loud = [f for f in findings if f.severity != "info"]
    return Result(
        status="found" if findings else "clear",
        why=loud[0].title
        if loud
        else f"the speed signal held for {ran / 60:.1f} min of running, "
        f"{sum(f.kind == 'log_gap' for f in findings)} gaps in the log",
        findings=findings,
        limits_of_detection={
            "crank_signal_loss": LimitOfDetection(could_show=ran > 10.0, over_s=ran),
            "controller_reset": LimitOfDetection(
                could_show=view.has("run_time") or view.continues is not None, over_s=ran
            ),
            "stall": LimitOfDetection(could_show=ran > 10.0 and rate >= LEAST_HZ, over_s=ran),
            "log_gap": LimitOfDetection(could_show=True, over_s=view.duration_s),
        },
        digest=_edges(view, states),
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
    finding = _reset_finding(
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


def _edges(view: View, states: States) -> dict[str, float | bool | None]:
    """How the log begins and ends, for the session that may continue it."""
    time = view.time
    late = time >= time[-1] - 10.0
    alive = states.running[late] | states.cranking[late]
    volts = view.get("battery_voltage")
    least = None
    if volts is not None and np.isfinite(volts[late]).any():
        least = float(np.nanmin(volts[late]))
    run_time = view.get("run_time")
    began = None
    if run_time is not None:
        first = run_time[np.isfinite(run_time)]
        began = float(first[0]) if first.size else None
    early = time <= time[0] + 2.0
    return {
        "ended_alive": bool(alive[-1]) if alive.size else False,
        "ended_cranking": bool(states.cranking[-1]),
        "least_volts": least,
        "run_time_start": began,
        "continued_after_s": view.continues.gap_s if view.continues is not None else None,
        "began_dead": not bool(states.running[early].any()),
    }


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


def _resets(view: View, states: States) -> list[Finding]:
    run_time = view.get("run_time")
    if run_time is None:
        return []
    good = np.flatnonzero(np.isfinite(run_time))
    back = np.flatnonzero(np.diff(run_time[good]) < -1.0)
    firings = [float(view.time[a]) for a in segments.runs(states.running)[0]]
    found = []
    for i in back:
        row, before = int(good[i + 1]), int(good[i])
        moment = float(view.time[row])
        recent = (view.time >= moment - view.limits.controller_reset_s) & (view.time <= moment)
        alive = states.running[recent] | states.cranking[recent]
        # Many controllers count from the first firing: that start is no reset.
        # One that counted on while cranking did not wait for it: the controller began again.
        # Unless its last zero was a firing too: then it counts from each firing, stops and all.
        zero = float(view.time[before] - run_time[before])
        from_firing = any(abs(zero - s) < FIRING_SLACK_S for s in firings if s < moment)
        counted = (
            _counted(view.time, run_time, before)
            and _cranked(view.time, states, before)
            and not from_firing
        )
        fired = not counted and any(abs(moment - s) < FIRING_SLACK_S for s in firings)
        after = run_time[(view.time > moment) & (view.time <= moment + COUNTS_ON_S)]
        counts = bool(np.nanmax(after, initial=0.0) > run_time[row] + 0.5)
        small = run_time[row] < view.limits.controller_reset_s
        # One that goes back to nothing as the engine dies only says that it stands.
        last = max(before - 1, 0)
        died = not states.running[row] and states.rpm[last] < DYING * states.idle_rpm
        died = bool(died) and not states.cranking[before]
        died = died or _running_out(view.time, states, row)
        # A lone value between two low ones is the log's, not the counter's.
        lone = i > 0 and run_time[good[i - 1]] <= run_time[row] + 0.5
        if alive.any() and counts and small and not (fired or died or lone):
            found.append((float(view.time[before]), moment))
    if not found:
        return []
    volts = view.get("battery_voltage")
    least = None
    if volts is not None:
        near = np.zeros(view.time.size, np.bool_)
        for a, b in found:
            near |= (view.time >= a - 2.0) & (view.time <= b + 1.0)
        least = float(np.nanmin(volts[near])) if np.isfinite(volts[near]).any() else None
    times = f"{len(found)} times" if len(found) > 1 else "once"
    return [
        _reset_finding(found[0][0], found[-1][1], 0.95, least,
                       f"Its run time began again {times} while the engine ran or was cranked")
    ]  # fmt: skip


def _running_out(time: Floats, states: States, row: int) -> bool:
    """Whether the engine spins out from a row on: through the speeds below idle, to a stop.

    A controller that resets loses the speed signal at once; a dying engine passes through. A
    logger may hold the speed for some rows more than the counter.
    """
    soon = (time >= time[row]) & (time <= time[row] + RUN_OUT_S)
    rpm = states.rpm[soon]
    through = (rpm > TURNING_RPM) & (rpm < DYING * states.idle_rpm) & ~states.cranking[soon]
    ran = states.running[max(row - 1, 0)] and not states.cranking[row]
    return bool(ran and through.any() and not states.running[soon].all())


def _counted(time: Floats, run_time: Floats, row: int) -> bool:
    """Whether the counter still counted up over the last seconds before a row.

    The last rows are left out: where a logger interpolates they show values that never were.
    """
    rows = (time >= time[row] - COUNTED_S) & (time < time[row] - UNSURE_S) & np.isfinite(run_time)
    at = time[rows]
    return bool(at.size > 1 and np.ptp(run_time[rows]) > 0.5 * (at[-1] - at[0]))


def _cranked(time: Floats, states: States, row: int) -> bool:
    """Whether the starter turned the engine just before a row; speed may drop out in a reset."""
    rows = (time >= time[row] - CRANKED_S) & (time <= time[row])
    return bool(states.cranking[rows].any())


def _reset_finding(
    start: float, end: float, sure: float, least: float | None, what: str
) -> Finding:
    low = least is not None and least < RESET_V
    return Finding(
        kind="controller_reset",
        severity="act",
        confidence=sure,
        start_s=start,
        end_s=end,
        title="The controller switched off and on again",
        detail=what
        + (f"; lowest logged voltage {least:.1f} V, the true dip is deeper" if least else "")
        + ".",
        step=1,
        blocks=["hard_start", "stall", "crank_signal_loss"],
        channels=["run_time"],
        evidence=evidence(lowest_voltage=(least, "V")) if least is not None else {},
        likely_causes=[
            Cause(cause="battery or its cables", probability=0.5 if low else 0.2),
            Cause(cause="supply relay, fuse or ground of the controller",
                  probability=0.4 if low else 0.65),
        ],
        next_checks=[
            Check(text="Measure the voltage drop from battery to controller, plus and ground, "
                  "under load", tool="voltmeter", engine="idle", minutes=15,
                  decides=["supply relay, fuse or ground of the controller"]),
            Check(text="Load-test the battery", tool="battery tester", engine="off_cold",
                  minutes=10, decides=["battery or its cables"]),
        ],
    )  # fmt: skip


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
