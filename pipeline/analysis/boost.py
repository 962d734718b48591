"""Boost: how soon it comes, whether it holds what was asked, and whether it is too much."""

from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np

from pipeline.analysis import _boost_findings as words
from pipeline.analysis._boost_episodes import (
    LATEST_SPOOL,
    LEAST_TARGET_KPA,
    LOSS_S,
    OPEN_S,
    never_came,
    over_boost_episodes,
)
from pipeline.analysis._boost_figures import across_sessions, figures, lower_gear, same_gear
from pipeline.analysis._boost_history import later_spool, spools_as_ever, with_thin_air
from pipeline.facts._believed import believed
from pipeline.facts.boost_runs import BIN_RPM, REST_DUTY_PCT, BoostRun, BoostRuns
from pipeline.meta import Earlier, Meta, Own
from pipeline.results import (
    Finding,
    LimitOfDetection,
    Metric,
    Quantity,
    Result,
    metric,
    not_judged,
    rounded,
)
from pipeline.session import View
from pipeline.signals import segments, smoothing
from pipeline.signals.segments import Floats

META = Meta(
    question="Does the boost come when it should, hold what was asked and stay below its ceiling?",
    version=2,
    kinds=("over_boost", "boost_loss", "boost_creep"),
    references=(
        "Spooled: 90 % of the gauge pressure of target or plateau. Common practice, no source.",
        "Telling a leak from a wastegate from a hose: common practice, no source.",
    ),
    needs=("engine_speed", "manifold_pressure"),
    uses=("manifold_pressure_target", "wastegate_duty", "lambda", "lambda_target",
          "throttle_position"),
    facts=("states", "atmosphere"),
    optional_facts=("full_throttle_runs", "boost_runs", "sensor_validity"),
    step=2,
)  # fmt: skip

#: s the pressure is averaged over before it is held against a ceiling or a target: shorter than
#: the shortest time the limits speak of, longer than the breathing of an engine.
SMOOTH_S = 0.2
#: s of full throttle, and share of the rev limit, from which even a slow turbocharger has had
#: exhaust enough: the runs' own spool speed may be the fault's (common practice, no source).
PATIENT_S = 3.0
PATIENT_SHARE = 0.55
#: Times the s a vehicle's turbocharger takes to spool (and s it takes at the least) after which
#: boost that earlier runs had by that speed is late: a run opened at higher speed spools later in
#: speed and sooner in time. Choice: a hot day makes a tenth.
PATIENT_SPOOLS, SPOOLS_S = 1.5, 1.0
#: Share of the judged runs that has to show a loss or a creep.
MOST_RUNS = 0.5
#: Earlier sessions a comparison needs, and runs of the same gear among them. Where there are only
#: two of them the loss has to come on top of what they differ by.
HISTORY_SESSIONS = 2
LEAST_RUNS = 2
#: % by which duty has fallen at the end of a run whose pressure still rises over its target: the
#: control opens the wastegate as far as it can and is not obeyed.
DUTY_FALLS_PCT = 5.0
#: Hz of pressure updates below which a rise after the plateau cannot be told from the spooling.
CREEP_HZ = 3.0
#: Share of the session's greatest gauge pressure below which a run without a target has not come to
#: its plateau: a tall gear at low speed spools to its end, and what still comes is no creep.
SPOOLING_SHARE = 0.7
#: kPa a creep has to come to over the plateau: twice what a control swings.
LEAST_RISE_KPA = 6.0


def analyse(view: View) -> Result:
    """Judge boost against its ceiling, its target and over the runs."""
    time = view.time
    barometer = view.fact("atmosphere").barometer_kpa
    states = view.fact("states")
    logged = believed(view, "manifold_pressure", view.channel("manifold_pressure"))
    pressure = segments.hold(time, logged, seconds=0.3)
    running = states.running & np.isfinite(pressure)
    spikeless = np.where(running, smoothing.median_of_three(pressure), np.nan)
    running &= np.isfinite(spikeless)
    if not running.any():
        return not_judged("the engine did not run, or its manifold pressure has no value")
    peak_row = int(np.nanargmax(spikeless))
    peak = float(spikeless[peak_row])
    gauge = float(np.nanmax(spikeless - barometer))
    metrics = {
        "manifold_pressure_peak_kpa": metric(peak, "kPa"),
        "gauge_boost_peak_kpa": metric(gauge, "kPa"),
    }
    target = view.get("manifold_pressure_target")
    target = None if target is None else segments.hold(time, target, seconds=0.5)
    asked = target is not None and bool((running & (target > barometer + LEAST_TARGET_KPA)).any())
    boosted = gauge > LEAST_TARGET_KPA or asked
    boosted = boosted and view.vehicle.engine.forced_induction is not False
    boost_runs: BoostRuns | None = view.fact("boost_runs")
    runs = list(boost_runs.runs) if boost_runs is not None and boosted else []
    limits_of = _could_show(view, runs, boosted)
    if not boosted:
        never = never_came(view, states.rpm)
        why = (f"the manifold never went above the barometer by {LEAST_TARGET_KPA:.0f} kPa "
               f"(peak {peak:.0f} kPa)")  # fmt: skip
        aspirated = view.vehicle.engine.forced_induction is False
        return Result(
            status="found" if never else "clear" if aspirated else "not_judged",
            why=f"{why} though the throttle was open" if never else
            f"{why}, so there is no boost to judge",
            findings=[words.no_boost(view.vehicle, never, peak)] if never else [],
            metrics=metrics,
            limits_of_detection=limits_of,
            digest={"runs": []},
        )  # fmt: skip
    metrics |= _run_metrics(runs)
    smooth = smoothing.moving_mean(time, np.where(running, pressure, np.nan), seconds=SMOOTH_S)
    findings: list[Finding] = []
    episodes = over_boost_episodes(view, smooth, target, barometer, states.rpm, running)
    if episodes:
        findings.append(words.over_boost(view, episodes))
    loss = _target_loss(view, runs, smooth, target, barometer, states.rpm)
    mixture = _lean_share(view, runs)
    if loss is not None:
        findings.append(words.boost_loss(view.vehicle, *loss, mixture, against="its target"))
    creep = _creep(runs, view.limits.boost_creep_kpa_per_krpm, has_target=target is not None)
    quick = view.info("manifold_pressure").effective_hz >= CREEP_HZ
    if creep and quick:
        findings.append(words.boost_creep(creep))
    digest: dict[str, Any] = {
        "runs": [_digest(r) for r in runs[:12]],
        "lean_share": None if mixture is None else rounded(mixture, 3),
    }
    return Result(
        status="found" if findings else "clear",
        why=_why(runs, peak, gauge, findings),
        findings=findings,
        metrics=metrics,
        figures=figures(view, runs, smooth, target),
        limits_of_detection=limits_of,
        digest=digest,
    )


def _target_loss(
    view: View,
    runs: Sequence[BoostRun],
    smooth: Floats,
    target: Floats | None,
    barometer: Floats,
    rpm: Floats,
) -> tuple[float, float, float, list[BoostRun], int] | None:
    """Loss against the target above the spool speed: kPa, start, end, runs, runs judged."""
    if target is None:
        return None
    spooled = [r.spool_rpm for r in runs if np.isfinite(r.spool_rpm)]
    # A turbocharger that comes later than this has lost something, or was never meant for it.
    revs = view.vehicle.engine.rev_limit_rpm
    latest = LATEST_SPOOL * revs
    start_rpm = min(float(np.median(spooled)), latest) if spooled else latest
    judged, losing, losses = 0, [], []
    for r in runs:
        rows = slice(r.run.start, r.run.end)
        t, lag = view.time[rows], (target - smooth)[rows]
        since, speed = t - r.run.opened_s, rpm[rows]
        use = (since >= OPEN_S) & (speed >= start_rpm)
        use |= (since >= PATIENT_S) & (speed >= PATIENT_SHARE * revs)
        use &= (target[rows] > barometer[rows] + LEAST_TARGET_KPA) & np.isfinite(lag)
        if use.sum() < 4 or t[use][-1] - t[use][0] < LOSS_S:
            continue
        judged += 1
        low = use & (lag >= view.limits.boost_loss_kpa)
        low = segments.long_runs(low, t, seconds=LOSS_S)
        # One or two rows of a slow log are no second of loss.
        if np.count_nonzero(low) >= 3:
            losing.append(r)
            losses.append(float(np.median(lag[low])))
    if not losing or len(losing) < MOST_RUNS * judged:
        return None
    return (
        float(np.median(losses)), losing[0].run.start_s, losing[-1].run.end_s, losing, judged,
    )  # fmt: skip


def _lean_share(view: View, runs: Sequence[BoostRun]) -> float | None:
    """Median lambda error on the plateaus, share; None where lambda or target is missing."""
    measured, wanted = view.get("lambda"), view.get("lambda_target")
    if measured is None or wanted is None:
        return None
    parts = []
    for r in runs:
        # A run that never reached its boost is judged from where it should have.
        begin = r.spooled_at_s + 0.5 if np.isfinite(r.spooled_at_s) else r.run.opened_s + 2.0
        rows = np.flatnonzero((view.time >= begin) & (view.time <= r.run.end_s))
        parts.append(measured[rows] / wanted[rows] - 1.0)
    joined = np.concatenate(parts) if parts else np.zeros(0)
    good = joined[np.isfinite(joined)]
    return float(np.median(good)) if good.size >= 8 else None


def _creep(runs: Sequence[BoostRun], limit: float, *, has_target: bool) -> list[BoostRun]:
    """Runs whose pressure rises with the wastegate at rest, if most runs with it at rest do."""
    judged, rising = [], []
    most = max((r.peak_kpa - r.barometer_kpa for r in runs), default=0.0)
    for r in runs:
        if not has_target and r.peak_kpa - r.barometer_kpa < SPOOLING_SHARE * most:
            continue
        # Without a duty to see, a rise that follows the target is the target's own.
        slope = r.creep_kpa_per_krpm if np.isfinite(r.duty_end_pct) else (
            r.creep_over_target if has_target else r.creep_kpa_per_krpm
        )  # fmt: skip
        if not np.isfinite(slope):
            continue
        unseen = not np.isfinite(r.duty_end_pct)
        at_rest = r.duty_end_pct <= REST_DUTY_PCT or r.duty_spread_pct < 0.5
        at_rest |= r.duty_end_pct <= r.duty_pct - DUTY_FALLS_PCT and r.creep_over_target >= limit
        # A control that still has duty to take away holds the pressure: no creep could show.
        if unseen or at_rest:
            judged.append(r)
            if slope >= limit and r.rise_kpa >= LEAST_RISE_KPA:
                rising.append(r)
    return rising if len(rising) >= 2 and len(rising) > MOST_RUNS * len(judged) else []


def judge(own: Own, history: Sequence[Earlier]) -> Result:
    """Hold the runs against the vehicle's earlier ones in the same gear at the same speed."""
    result = own.result
    runs = list(result.digest.get("runs", ()))
    overlay = across_sessions(
        runs, [(e.start_time, e.digest["runs"]) for e in history[-12:] if e.digest.get("runs")]
    )
    if overlay is not None:
        result = msgspec.structs.replace(result, figures=[*result.figures, overlay])
    loss = next((f for f in result.findings if f.kind == "boost_loss"), None)
    if loss is not None and spools_as_ever(loss, runs, history[-12:]):
        left = [f for f in result.findings if f is not loss]
        why = result.why.removeprefix(f"{loss.title}: ")
        result = msgspec.structs.replace(
            result, findings=left, status="found" if left else "clear", why=why[0].upper() + why[1:]
        )
        loss = None
    if loss is not None:
        told = with_thin_air(loss, runs, history[-12:])
        return msgspec.structs.replace(
            result, findings=[told if f is loss else f for f in result.findings]
        )
    if not runs:
        return result
    alike = own.under_this_calibration(history[-12:])  # boost lowered on purpose is no loss
    past = [r for e in alike for r in e.digest.get("runs", ())
            if not any(f.kind == "boost_loss" for f in e.findings)]  # fmt: skip
    sessions = sum(1 for e in alike if e.digest.get("runs"))
    if sessions < HISTORY_SESSIONS:
        return result
    lost, judged = [], 0
    for run in runs:
        drop = _against(run, past)
        lag = _under_target(run, past)
        if drop is None and lag is None:
            continue
        drop = max(d for d in (drop, lag) if d is not None)
        judged += 1
        if drop >= own.vehicle.limits.boost_loss_kpa:
            lost.append((drop, run))
    if not lost or len(lost) < MOST_RUNS * judged:
        return result
    mixture = result.digest.get("lean_share")
    finding = words.boost_loss_against_own(
        own.vehicle, lost, judged, sessions, mixture, later_spool(runs, past)
    )
    return msgspec.structs.replace(
        result,
        status="found",
        why=f"{finding.title}. {result.why}",
        findings=[*result.findings, finding],
    )


def _against(run: dict[str, Any], past: Sequence[dict[str, Any]]) -> float | None:
    """How far a run stays below the earlier ones, kPa: the smaller of absolute and gauge.

    The usual of its speeds, or of the two worst at which the earlier ones had long spooled: a
    turbocharger that comes late has lost its boost there, and has it back at the end.
    """
    # A lower gear runs through its speeds sooner, with no more boost at any of them: what it had a
    # taller gear has too.
    same = [p for p in past if same_gear(run, p) or lower_gear(p, run)]
    spool = [p["spool_rpm"] for p in same if p.get("spool_rpm")]
    if len(same) < LEAST_RUNS or not spool:
        return None
    above = float(np.median(spool)) + 0.5 * BIN_RPM
    took = [p["spool_s"] for p in same if p.get("spool_s")]
    patience = PATIENT_SPOOLS * max(float(np.median(took)), SPOOLS_S) if took else PATIENT_S
    drops, late = [], []
    for (key, kpa, _), since in zip(run["bins"], run["since_s"], strict=True):
        if (key + 0.5) * BIN_RPM < above:
            continue
        old = [(k2, b["barometer"]) for b in same for k1, k2, _ in b["bins"] if k1 == key]
        if len(old) < LEAST_RUNS:
            continue
        absolute = float(np.median([k for k, _ in old])) - kpa
        gauge = float(np.median([k - b for k, b in old])) - (kpa - run["barometer"])
        apart = abs(old[0][0] - old[1][0]) if len(old) == LEAST_RUNS else 0.0
        drops.append(min(absolute, gauge) - apart)
        if since >= patience:
            late.append(drops[-1])
    if len(drops) < 2:
        return None
    worst = float(np.mean(sorted(late)[-2:])) if len(late) >= 2 else -np.inf
    return max(float(np.median(drops)), worst)


def _under_target(run: dict[str, Any], past: Sequence[dict[str, Any]]) -> float | None:
    """Median lag behind the target above the vehicle's own earlier spool speed, kPa."""
    spool = [p["spool_rpm"] for p in past if p.get("spool_rpm")]
    if len(spool) < 3:
        return None
    above = float(np.median(spool)) + 1.5 * BIN_RPM
    lags = [lag for k, _, lag in run["bins"] if lag is not None and k * BIN_RPM >= above]
    # The worst two bins: a late spool is a loss where it should have been there.
    return float(np.mean(sorted(lags)[-2:])) if len(lags) >= 2 else None


def _digest(r: BoostRun) -> dict[str, Any]:
    return {
        "ratio": rounded(r.run.ratio, 4) if np.isfinite(r.run.ratio) else None,
        "barometer": rounded(r.barometer_kpa, 4),
        "spool_rpm": rounded(r.spool_rpm, 4) if np.isfinite(r.spool_rpm) else None,
        "duty": rounded(r.duty_pct, 3) if np.isfinite(r.duty_pct) else None,
        "start_s": rounded(r.run.start_s, 6),
        "end_s": rounded(r.run.end_s, 6),
        "bins": [
            [k, rounded(v, 4), rounded(lag, 4) if np.isfinite(lag) else None]
            for k, v, lag, _ in r.by_bin
        ],
        "spool_s": rounded(r.spool_s, 3) if np.isfinite(r.spool_s) else None,
        "since_s": [rounded(since, 3) for _, _, _, since in r.by_bin],
    }


def _run_metrics(runs: Sequence[BoostRun]) -> dict[str, Metric]:
    found: dict[str, Metric] = {}
    for name, unit, values in (
        ("spool_time_s", "s", [r.spool_s for r in runs]),
        ("spool_speed_rpm", "rpm", [r.spool_rpm for r in runs]),
        ("boost_error_kpa", "kPa", [r.error_kpa for r in runs]),
    ):
        good = np.array([v for v in values if np.isfinite(v)])
        if good.size:
            low, high = words.median_interval(good)
            found[name] = metric(float(np.median(good)), unit, low, high)
    over = [r.overshoot_kpa for r in runs if np.isfinite(r.overshoot_kpa)]
    if over:
        found["boost_overshoot_kpa"] = metric(max(over), "kPa")
    return found


def _could_show(view: View, runs: Sequence[BoostRun], boosted: bool) -> dict[str, LimitOfDetection]:
    seconds = float(sum(r.run.end_s - r.run.start_s for r in runs))
    has_target = view.has("manifold_pressure_target")
    ceiling = view.limits.manifold_pressure_max_kpa is not None
    plateaus = sum(1 for r in runs if np.isfinite(r.creep_kpa_per_krpm))
    return {
        "over_boost": LimitOfDetection(
            could_show=boosted and (has_target or ceiling),
            smallest=Quantity(value=view.limits.over_boost_kpa, unit="kPa"),
            over_s=rounded(view.duration_s, 4),
        ),
        "boost_loss": LimitOfDetection(
            could_show=bool(runs) and has_target,
            smallest=Quantity(value=view.limits.boost_loss_kpa, unit="kPa"),
            over_s=rounded(seconds, 4),
        ),
        "boost_creep": LimitOfDetection(
            could_show=plateaus >= 2 and view.info("manifold_pressure").effective_hz >= CREEP_HZ,
            over_s=rounded(seconds, 4),
        ),
    }


def _why(runs: Sequence[BoostRun], peak: float, gauge: float, findings: list[Finding]) -> str:
    text = f"the manifold reached {peak:.0f} kPa, {gauge:.0f} kPa above the barometer"
    spools = [r for r in runs if np.isfinite(r.spool_s)]
    if spools:
        text += (
            f", in {len(runs)} full-throttle runs; boost was there "
            f"{np.median([r.spool_s for r in spools]):.1f} s after the throttle opened, at "
            f"{np.median([r.spool_rpm for r in spools]):.0f} rpm"
        )
    elif not runs:
        text += "; no full-throttle run was long enough to judge how it comes and holds"
    return (findings[0].title + ": " + text) if findings else text[0].upper() + text[1:]
