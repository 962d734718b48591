"""What a charging voltage outside its limits is told as: causes, checks, how sure."""

import numpy as np

from pipeline.results import Cause, Check, Finding, Severity, evidence
from pipeline.session import View
from pipeline.signals.segments import Bools, Floats

#: s and V: a low voltage that neither ends the drive nor sinks further over this long points to
#: the reading or its wire; a battery alone feeds a running engine for less than an hour.
STANDS_S, STANDS_V = 2400.0, 0.3
#: V that a charged battery stands over one left alone, at the least (common practice, no source).
PAUSES_V = 0.5


def low_finding(view: View, time: Floats, volts: Floats, rows: Bools, fast: Bools) -> Finding:
    """Too little: volts (n,) smoothed, rows (n,) held below the limit among the ``fast`` ones."""
    level = float(np.median(volts[rows]))
    at = time[rows]
    step = np.diff(time, append=time[-1:])
    lasted = float(np.sum(step[rows & (step <= 2.0)]))
    back = fast & (volts >= view.limits.charging_low_v) & (time > at[0])
    high = float(np.median(volts[back])) if back.any() else level
    # And goes on; a weak alternator's voltage sways about the limit by less.
    pauses = np.count_nonzero(back) > np.count_nonzero(rows) and high > level + PAUSES_V
    # A battery that nobody charges sinks; one that "stands" low for long is more likely read low.
    steady = bool(
        at[-1] - at[0] > STANDS_S
        and np.median(volts[rows][-(rows.sum() // 4) :]) > level - STANDS_V
    )
    severity: Severity = "watch"
    if level < view.limits.charging_low_act_v and not steady:
        severity = "act"
    return Finding(
        kind="low_charging_voltage",
        severity=severity,
        confidence=0.97 if level < view.limits.charging_low_v - 0.3 else 0.95,
        start_s=float(at[0]),
        end_s=float(at[-1]),
        title="The battery is not being charged as it should",
        detail=f"{level:.1f} V above {view.limits.charging_low_rpm:.0f} rpm, long after the start, "
        f"where at least {view.limits.charging_low_v:.1f} V are usual. Low voltage also shortens "
        "dwell and slows injectors."
        + (f" It came back to {high:.1f} V alone: a control that saves fuel, "
           "or a loose belt or wire." if pauses else
           " It stood there without sinking, so the reading or its wire is suspect too." if steady
           else ""),
        step=2,
        blocks=["misfire_under_load"],
        channels=["battery_voltage"],
        evidence=evidence(
            voltage=(level, "V"), least_usual=(view.limits.charging_low_v, "V"),
            for_seconds=(lasted, "s"),
        ),
        likely_causes=[
            Cause(cause="alternator, regulator or belt", probability=0.25 if pauses else 0.6),
            Cause(cause="cable or ground between alternator and controller", probability=0.2),
            Cause(cause="charging paused by the car's own energy control",
                  probability=0.5 if pauses else 0.15),
        ],
        next_checks=[
            Check(text="Compare the voltage at the battery's posts with the logged one",
                  tool="voltmeter, clear of belts", engine="idle", minutes=5,
                  decides=["cable or ground between alternator and controller"]),
            Check(text="Look at the belt's tension and the charge lamp", tool="eyes",
                  engine="off_cold", minutes=5, decides=["alternator, regulator or belt"]),
        ],
    )  # fmt: skip


def high_finding(time: Floats, volts: Floats, rows: Bools, limit: float) -> Finding:
    """Too much: volts (n,) smoothed, rows (n,) held above the limit in V."""
    level = float(np.quantile(volts[rows], 0.9))
    at = time[rows]
    return Finding(
        kind="high_charging_voltage",
        severity="act",
        confidence=0.97 if level > limit + 0.2 else 0.95,
        start_s=float(at[0]),
        end_s=float(at[-1]),
        title="The charging voltage is too high",
        detail=f"{level:.1f} V, where {limit:.1f} V is the most that is usual at this outside "
        "temperature. It boils the battery and can end a controller.",
        step=1,
        channels=["battery_voltage"],
        evidence=evidence(voltage=(level, "V"), most_usual=(limit, "V")),
        likely_causes=[
            Cause(cause="regulator", probability=0.75),
            Cause(cause="sense wire or its ground", probability=0.2),
        ],
        next_checks=[
            Check(text="Measure at the battery's posts at 2000 rpm", tool="voltmeter",
                  engine="idle", minutes=5, decides=["regulator", "sense wire or its ground"])
        ],
    )  # fmt: skip
