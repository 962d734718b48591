"""Controllers that start again: a counter of run time that falls, or a log that broke off.

Signs of resets: common practice, no source.
"""

import numpy as np

from pipeline.facts._running import TURNING_RPM
from pipeline.facts.states import States
from pipeline.results import Cause, Check, Finding, evidence
from pipeline.session import View
from pipeline.signals import segments
from pipeline.signals.segments import Floats, Ints

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


def edges_of(view: View, states: States) -> dict[str, float | bool | None]:
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


def resets(view: View, states: States) -> list[Finding]:
    """One finding of all moments at which the run time began again under a turning engine."""
    run_time = view.get("run_time")
    if run_time is None:
        return []
    good = np.flatnonzero(np.isfinite(run_time))
    falls = np.flatnonzero(np.diff(run_time[good]) < -1.0)
    found = [
        (float(view.time[good[i]]), float(view.time[good[i + 1]]))
        for i in falls
        if _is_reset(view, states, run_time, good, int(i))
    ]
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
        reset_finding(found[0][0], found[-1][1], 0.95, least,
                      f"Its run time began again {times} while the engine ran or was cranked")
    ]  # fmt: skip


def _is_reset(view: View, states: States, run_time: Floats, good: Ints, fall: int) -> bool:
    """Whether the controller began again where its run time fell.

    run_time (n,) in s; good (k,): rows that have it; fall: place in good of the last row before.
    """
    row, before = int(good[fall + 1]), int(good[fall])
    moment = float(view.time[row])
    recent = (view.time >= moment - view.limits.controller_reset_s) & (view.time <= moment)
    alive = states.running[recent] | states.cranking[recent]
    after = run_time[(view.time > moment) & (view.time <= moment + COUNTS_ON_S)]
    counts = bool(np.nanmax(after, initial=0.0) > run_time[row] + 0.5)
    small = run_time[row] < view.limits.controller_reset_s
    # A lone value between two low ones is the log's, not the counter's.
    lone = fall > 0 and run_time[good[fall - 1]] <= run_time[row] + 0.5
    if not alive.any() or not counts or not small or lone:
        return False
    # Many controllers count from the first firing: that start is no reset.
    # One that counted on while cranking did not wait for it: the controller began again.
    # Unless its last zero was a firing too: then it counts from each firing, stops and all.
    firings = [float(view.time[a]) for a in segments.runs(states.running)[0]]
    zero = float(view.time[before] - run_time[before])
    from_firing = any(abs(zero - s) < FIRING_SLACK_S for s in firings if s < moment)
    counted = (
        _counted(view.time, run_time, before)
        and _cranked(view.time, states, before)
        and not from_firing
    )
    if not counted and any(abs(moment - s) < FIRING_SLACK_S for s in firings):
        return False
    # One that goes back to nothing as the engine dies only says that it stands.
    last = max(before - 1, 0)
    dying = not states.running[row] and states.rpm[last] < DYING * states.idle_rpm
    died = bool(dying) and not states.cranking[before]
    return not (died or _running_out(view.time, states, row))


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


def reset_finding(start: float, end: float, sure: float, least: float | None, what: str) -> Finding:
    """A reset between two times in s; least: lowest voltage near it; what: how it was seen."""
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
