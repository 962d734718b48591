"""Words of the boost findings: titles, details, causes and the checks that tell them apart."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from pipeline.analysis._boost_episodes import Episode
from pipeline.facts.boost_runs import BoostRun
from pipeline.results import Cause, Check, Finding, Severity, evidence
from pipeline.session import View
from pipeline.signals.regression import robust_scale
from pipeline.signals.segments import Floats
from pipeline.vehicle import Vehicle
from pipeline.wording import clock

#: Lambda leaner than this share on the plateau speaks of the pressure hose, not of a leak.
LEAN_SHARE = 0.035
#: rpm by which a later spool speaks of a leak before the turbine (common practice).
LATER_SPOOL_RPM = 200.0

_HOSE = "pressure hose from manifold to controller leaks or is kinked"
_LEAK = "boost leak after the compressor"
_GATE = "wastegate opens too soon or sticks open"
_EXHAUST = "exhaust leak before the turbine"
_CHECKS = {
    "leak": Check(text="Pressurise the intake from the compressor inlet with a low-pressure "
                  "adapter and listen, or use soapy water", tool="leak tester, soapy water",
                  engine="off_cold", minutes=30, decides=[_LEAK]),
    "gate": Check(text="Move the wastegate flap with a hand pump and watch at which pressure it "
                  "starts and whether it closes fully", tool="hand pump with gauge",
                  engine="off_cold", minutes=15, decides=[_GATE]),
    "hose": Check(text="Pull the pressure hose, blow through it, and hold a hand pump on the "
                  "sensor: the reading has to follow", tool="hand pump with gauge",
                  engine="key_on", minutes=10, decides=[_HOSE]),
    "exhaust": Check(text="Cold start: feel and listen for a tick at the exhaust manifold's "
                     "joints, windows open", tool="none", engine="idle", minutes=10,
                     decides=[_EXHAUST]),
}  # fmt: skip


def median_interval(values: Floats) -> tuple[float | None, float | None]:
    """95 % interval of a median from few values: median +- 1.96 * 1.253 s / sqrt(n)."""
    if values.size < 3:
        return None, None
    spread = max(robust_scale(values), 0.6 * float(values.std(ddof=1)))
    half = 1.96 * 1.253 * spread / float(np.sqrt(values.size))
    middle = float(np.median(values))
    return middle - half, middle + half


def over_boost(view: View, episodes: Sequence[Episode]) -> Finding:
    """One finding for all episodes of a session; the worst decides."""
    worst = max(episodes, key=lambda e: (e.rising, e.over_kpa))
    limit = view.limits.manifold_pressure_max_kpa
    held = "the ceiling set for this engine" if worst.ceiling else "what was asked for"
    runaway = worst.rising
    severity: Severity = "stop" if runaway else "act"
    if len(episodes) == 1 and worst.rows < 2:
        severity = "watch"  # a single sample alone
    text = (
        f"At {clock(worst.start_s)} the manifold reached {worst.most_kpa:.0f} kPa at "
        f"{worst.rpm:.0f} rpm, {worst.over_kpa:.0f} kPa above {held}"
        f"{f' ({limit:.0f} kPa)' if worst.ceiling and limit else ''}, for "
        f"{worst.end_s - worst.start_s:.1f} s."
    )
    if len(episodes) > 1:
        text += f" It happened {len(episodes)} times in this session."
    if runaway:
        text += " Pressure was still rising when it ended: nothing held it."
    causes = (
        [
            Cause(cause="wastegate hose off or split, nothing opens the wastegate",
                  probability=0.55),
            Cause(cause="wastegate stuck shut", probability=0.25),
            Cause(cause="wastegate too small for the flow", probability=0.1),
        ]
        if runaway
        else [
            Cause(cause="boost control gains or duty table too high", probability=0.45),
            Cause(cause="wastegate slow or sticking", probability=0.3),
            Cause(cause="wastegate hose leaking", probability=0.15),
        ]
    )  # fmt: skip
    return Finding(
        kind="over_boost", severity=severity,
        # Sensor offsets of a few kPa are usual: the nearer to the limit, the less sure.
        confidence=float(np.clip(0.75 + 0.02 * worst.over_kpa, 0.75, 0.97)),
        start_s=episodes[0].start_s, end_s=episodes[-1].end_s,
        title="Boost runs away" if runaway else "More boost than allowed",
        detail=text, step=0 if runaway else 2, blocks=["knock_risk", "lean_under_load"],
        channels=["manifold_pressure"],
        evidence=evidence(
            peak_pressure=(worst.most_kpa, "kPa"), above_limit=(worst.over_kpa, "kPa"),
            engine_speed=(worst.rpm, "rpm"), lasted=(worst.end_s - worst.start_s, "s"),
            episodes=(float(len(episodes)), "1"),
        ),
        likely_causes=causes,
        next_checks=[
            Check(text="Look at the wastegate's hose and clamps from end to end", tool="none",
                  engine="off_cold", minutes=5, decides=[causes[0].cause]),
            _CHECKS["gate"],
            Check(text="One run in a high gear at the wastegate's own pressure, boost control "
                  "switched off, lifting early", tool="log", engine="driving", minutes=15,
                  decides=["boost control gains or duty table too high"]),
        ],
    )  # fmt: skip


def _loss_causes(
    vehicle: Vehicle, lean: float | None, duty: float | None, later: float | None
) -> tuple[list[Cause], list[Check], str]:
    """Causes by what lambda, wastegate duty and spool speed say; with a sentence on it."""
    if lean is not None and lean > LEAN_SHARE and vehicle.engine.load_sensing != "air_meter":
        return (
            [Cause(cause=_HOSE, probability=0.65), Cause(cause=_LEAK, probability=0.12),
             Cause(cause="fuel supply at its limit as well", probability=0.08)],
            [_CHECKS["hose"], _CHECKS["leak"]],
            f"Lambda was {100 * lean:.0f} % leaner than its target at the same time: the engine "
            "may have more boost than the sensor sees.",
        )  # fmt: skip
    weights = {_LEAK: 0.4, _GATE: 0.25, _EXHAUST: 0.12, "air filter or intake blocked": 0.05}
    told = "Lambda was not logged with a target, so hose and leak cannot be told apart."
    if lean is None:
        weights[_HOSE] = 0.1
    else:
        told = "Lambda stayed on target, which speaks for a leak or the wastegate, not the hose."
    if duty is not None and np.isfinite(duty) and duty > 60.0:
        told += f" The wastegate was driven at {duty:.0f} % and did not bring it back."
    if later is not None and later > LATER_SPOOL_RPM:
        weights[_EXHAUST] += 0.15
        weights[_LEAK] -= 0.1
        told += f" It also spools {later:.0f} rpm later than before."
    causes = [
        Cause(cause=c, probability=round(w, 2))
        for c, w in sorted(weights.items(), key=lambda item: -item[1])
    ]
    return causes, [_CHECKS["exhaust"], _CHECKS["gate"], _CHECKS["leak"]], told


def boost_loss(
    vehicle: Vehicle,
    loss: float,
    start: float,
    end: float,
    losing: Sequence[BoostRun],
    judged: int,
    lean: float | None,
    *,
    against: str,
) -> Finding:
    """Less boost than the target, in most of the runs."""
    duties = [r.duty_pct for r in losing if np.isfinite(r.duty_pct)]
    duty = float(np.median(duties)) if duties else None
    causes, checks, told = _loss_causes(vehicle, lean, duty, None)
    peak = max(r.peak_kpa for r in losing)
    return Finding(
        kind="boost_loss", severity="watch",
        confidence=float(np.clip(0.65 + 0.01 * loss + 0.05 * (len(losing) - 1), 0.65, 0.95)),
        start_s=start, end_s=end, title="Boost stays below what was asked for",
        detail=f"In {len(losing)} of {judged} full-throttle runs the manifold stayed "
        f"{loss:.0f} kPa below {against} above the spool speed (peak {peak:.0f} kPa). {told}",
        step=2, blocks=["lean_running"], channels=["manifold_pressure", "throttle_position"],
        evidence=evidence(below=(loss, "kPa"), peak_pressure=(peak, "kPa"),
                          runs=(float(len(losing)), "1"), lambda_error=(
                              100 * lean if lean is not None else float("nan"), "%")),
        likely_causes=causes, next_checks=checks,
    )  # fmt: skip


def no_boost(vehicle: Vehicle, stretches: Sequence[tuple[float, float]], peak: float) -> Finding:
    """No boost at all at full throttle and high speed, on an engine said to be boosted."""
    causes, checks, told = _loss_causes(vehicle, None, None, None)
    return Finding(
        kind="boost_loss", severity="watch",
        confidence=float(np.clip(0.75 + 0.05 * (len(stretches) - 1), 0.75, 0.9)),
        start_s=stretches[0][0], end_s=stretches[-1][1], title="No boost comes at all",
        detail=f"In {len(stretches)} full-throttle runs to a speed at which a turbocharger has "
        f"long spooled the manifold stayed at the barometer (peak {peak:.0f} kPa), though the "
        f"vehicle file says the engine is boosted. {told}",
        step=2, blocks=["lean_running"], channels=["manifold_pressure", "throttle_position"],
        evidence=evidence(peak_pressure=(peak, "kPa"),
                          runs_without_boost=(float(len(stretches)), "1")),
        likely_causes=causes, next_checks=checks,
    )  # fmt: skip


def boost_loss_against_own(
    vehicle: Vehicle,
    lost: Sequence[tuple[float, dict[str, Any]]],
    judged: int,
    sessions: int,
    lean: float | None,
    later: float | None,
) -> Finding:
    """Less boost than the vehicle had earlier in this gear or a lower one at the same speeds."""
    drop = float(np.median([d for d, _ in lost]))
    duties = [r["duty"] for _, r in lost if r.get("duty") is not None]
    duty = float(np.median(duties)) if duties else None
    causes, checks, told = _loss_causes(vehicle, lean, duty, later)
    starts = [float(r["start_s"]) for _, r in lost]
    ends = [float(r["end_s"]) for _, r in lost]
    return Finding(
        kind="boost_loss", severity="watch",
        confidence=float(np.clip(0.6 + 0.012 * drop, 0.6, 0.92)),
        start_s=min(starts), end_s=max(ends), title="Less boost than this car had before",
        detail=f"In {len(lost)} of {judged} full-throttle runs the manifold stayed {drop:.0f} "
        f"kPa below the earlier runs in this gear or a lower one at the same speeds ({sessions} "
        f"earlier sessions, barometer considered). {told}",
        step=2, channels=["manifold_pressure", "throttle_position"],
        evidence=evidence(below_earlier=(drop, "kPa"), runs=(float(len(lost)), "1"),
                          earlier_sessions=(float(sessions), "1")),
        likely_causes=causes, next_checks=checks,
    )  # fmt: skip


def boost_creep(runs: Sequence[BoostRun]) -> Finding:
    """Pressure that rises with speed although the wastegate is fully open."""
    rate = float(np.median([r.creep_kpa_per_krpm for r in runs]))
    peak = max(r.peak_kpa for r in runs)
    small = "wastegate or its port too small for the exhaust flow"
    return Finding(
        kind="boost_creep", severity="watch",
        confidence=float(np.clip(0.6 + 0.03 * rate + 0.03 * len(runs), 0.6, 0.95)),
        start_s=runs[0].run.start_s, end_s=runs[-1].run.end_s,
        title="Boost creeps up with engine speed",
        detail=f"In {len(runs)} runs pressure rose {rate:.0f} kPa per 1000 rpm after the "
        f"plateau, up to {peak:.0f} kPa, although the wastegate was not held shut.",
        step=2, blocks=["knock_risk"], channels=["manifold_pressure", "throttle_position"],
        evidence=evidence(rise_per_1000_rpm=(rate, "kPa"), peak_pressure=(peak, "kPa"),
                          runs=(float(len(runs)), "1")),
        likely_causes=[
            Cause(cause=small, probability=0.45),
            Cause(cause="less exhaust back pressure than before (new exhaust)", probability=0.25),
            Cause(cause="wastegate does not open fully", probability=0.2),
        ],
        next_checks=[_CHECKS["gate"],
                     Check(text="Compare with a log from before the last exhaust work", tool="log",
                           engine="off_cold", minutes=5,
                           decides=["less exhaust back pressure than before (new exhaust)"])],
    )  # fmt: skip
