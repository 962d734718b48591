"""What the boost did in each full-throttle run: spool, plateau, overshoot, error, rise."""

from dataclasses import dataclass

import numpy as np

from pipeline.facts.full_throttle_runs import FullThrottleRun, FullThrottleRuns
from pipeline.meta import FactMeta
from pipeline.session import NotAvailableError, View
from pipeline.signals import segments, smoothing
from pipeline.signals.segments import Bools, Floats

META = FactMeta(
    summary="per full-throttle run in boost or asked for it: spool, plateau, error, rise",
    version=2,
    needs=("manifold_pressure", "engine_speed"),
    uses=("manifold_pressure_target", "wastegate_duty"),
    facts=("full_throttle_runs", "atmosphere"),
)

#: s the pressure is averaged over: longer than an engine's breathing, shorter than a spool-up.
SMOOTH_S = 0.3
#: kPa over the barometer that a run has to reach to be one in boost.
LEAST_BOOST_KPA = 8.0
#: Share of the gauge pressure of target or plateau at which the turbocharger has spooled.
SPOOLED_SHARE = 0.9
#: s after spooling at which the plateau begins, the shortest plateau, and the window in which
#: pressure over target is overshoot.
SETTLE_S = 0.5
PLATEAU_S = 0.8
OVERSHOOT_WINDOW_S = 1.5
#: A run that begins with more than this share of its boost was spooled before (gear change).
ALREADY_SHARE = 0.35
#: By how many times spooling is steeper than the creep after its knee, and the share of the
#: creep's slope that is left in the later half of it: a curve that flattens out keeps a third.
KNEE_STEEPER = 2.0
STRAIGHT_SHARE = 0.6
#: Wastegate duty (%) at which it is at rest.
REST_DUTY_PCT = 5.0
#: % over the least duty at which it has come to rest (steps of usual logging), and s above that
#: which are control and no blip.
REST_STEP_PCT = 0.5
BUSY_S = 0.2
#: s of a run's end over which the last duty is taken, and share of the plateau's duty below which
#: the control has all but given up by then.
DUTY_END_S = 0.4
GONE_SHARE = 0.5
#: rpm of plateau that a rise over speed needs.
CREEP_SPAN_RPM = 500.0
#: Speed bins in which runs are compared across sessions, rpm.
BIN_RPM = 500.0


@dataclass(frozen=True, eq=False)
class BoostRun:
    """Boost in one run; kPa absolute unless named gauge; NaN where the run cannot tell.

    spool_s: from opening the throttle to 90 % of the gauge pressure of target (its median over
    the run's later half) or plateau (of its begin, if it creeps), at spool_rpm. error_kpa: mean
    over the plateau less target.
    overshoot_kpa: most over target or plateau within 1.5 s of spooling. creep: kPa per 1000 rpm
    on the plateau (where the wastegate is at rest), of pressure and of pressure over target;
    rise_kpa: what that comes to over it. duty: median and spread on the plateau, and over the
    last 0.4 s. by_bin: (speed bin, mean kPa, mean kPa under target or NaN, s of full throttle
    before it) after the spool-up.
    """

    run: FullThrottleRun
    barometer_kpa: float
    peak_kpa: float
    peak_rpm: float
    end_kpa: float
    plateau_kpa: float
    spool_s: float
    spool_rpm: float
    spooled_at_s: float
    error_kpa: float
    overshoot_kpa: float
    creep_kpa_per_krpm: float
    duty_pct: float
    duty_spread_pct: float
    duty_end_pct: float
    creep_over_target: float
    rise_kpa: float
    by_bin: tuple[tuple[int, float, float, float], ...]


@dataclass(frozen=True, eq=False)
class BoostRuns:
    """Runs in boost, in order, and the smoothed pressure (n,) they were judged on."""

    runs: tuple[BoostRun, ...]
    smooth_kpa: Floats


def compute(view: View) -> BoostRuns:
    """Measure each full-throttle run that went into boost."""
    time = view.time
    pressure = segments.hold(time, view.channel("manifold_pressure"), seconds=0.3)
    if not np.isfinite(pressure).any():
        raise NotAvailableError("manifold pressure was logged without a value")
    smooth = smoothing.moving_mean(time, pressure, seconds=SMOOTH_S)
    target = view.get("manifold_pressure_target")
    target = None if target is None else segments.hold(time, target, seconds=0.5)
    duty = view.get("wastegate_duty")
    duty = None if duty is None else segments.hold(time, duty, seconds=2.0)
    full: FullThrottleRuns = view.fact("full_throttle_runs")
    barometer = view.fact("atmosphere").barometer_kpa
    found = []
    for run in full.runs:
        level = float(np.median(barometer[run.start : run.end]))
        part = smooth[run.start : run.end]
        asked = target is not None and bool(
            np.nanmax(target[run.start : run.end], initial=0.0) >= level + LEAST_BOOST_KPA
        )
        if not np.isfinite(part).any():
            continue
        if np.nanmax(part, initial=0.0) < level + LEAST_BOOST_KPA and not asked:
            continue
        found.append(_measure(time, full.rpm, smooth, target, duty, run, level))
    return BoostRuns(tuple(found), smooth)


def _measure(
    time: Floats,
    rpm: Floats,
    smooth: Floats,
    target: Floats | None,
    duty: Floats | None,
    run: FullThrottleRun,
    barometer: float,
) -> BoostRun:
    rows = slice(run.start, run.end)
    t, p, n = time[rows], smooth[rows], rpm[rows]
    peak = int(np.nanargmax(p))
    goal = float("nan")
    wanted = target[rows] if target is not None else np.full(t.size, np.nan)
    later = wanted[t.size // 2 :]
    if np.isfinite(later).sum() > 2 and np.nanmedian(later) > barometer + LEAST_BOOST_KPA:
        goal = float(np.nanmedian(later))
    level = goal if np.isfinite(goal) else _own_level(t, p, barometer)
    threshold = barometer + SPOOLED_SHARE * (level - barometer)
    spooled_at, spool_rpm = _crossing(t, p, n, threshold)
    fresh = p[0] < barometer + ALREADY_SHARE * (level - barometer)
    spool = spooled_at - run.opened_s if fresh else float("nan")
    plateau = t >= spooled_at + SETTLE_S
    long_enough = plateau.any() and t[-1] - t[plateau][0] >= PLATEAU_S
    error = overshoot = creep = creep_over = rise = plateau_kpa = float("nan")
    wastegate = wastegate_spread = wastegate_end = float("nan")
    if long_enough:
        plateau_kpa = smoothing.mean_or_nan(p[plateau])
        if np.isfinite(goal):
            error = smoothing.mean_or_nan((p - wanted)[plateau])
        rest = _at_rest(t, plateau, n, duty[rows] if duty is not None else None)
        span = float(np.ptp(n[rest]))
        if span >= CREEP_SPAN_RPM:
            creep = _slope(n[rest], p[rest]) * 1000.0
            rise = creep * span / 1000.0
            if np.isfinite(goal):
                creep_over = _slope(n[rest], (p - wanted)[rest]) * 1000.0
        if duty is not None and np.isfinite(duty[rows][plateau]).any():
            wastegate = smoothing.median_or_nan(duty[rows][plateau])
            wastegate_spread = float(np.nanstd(duty[rows][plateau]))
            wastegate_end = smoothing.median_or_nan(duty[rows][t >= t[-1] - DUTY_END_S])
    window = (t >= spooled_at) & (t <= spooled_at + OVERSHOOT_WINDOW_S)
    if np.isfinite(spooled_at) and fresh and window.sum() >= 3:
        over = p - (wanted if np.isfinite(goal) else plateau_kpa)
        if np.isfinite(over[window]).any():
            overshoot = float(np.nanmax(over[window], initial=0.0))
    return BoostRun(
        run=run, barometer_kpa=barometer, peak_kpa=float(p[peak]), peak_rpm=float(n[peak]),
        end_kpa=smoothing.mean_or_nan(p[t >= t[-1] - 0.3]), plateau_kpa=plateau_kpa,
        spool_s=spool, spool_rpm=spool_rpm if fresh else float("nan"), spooled_at_s=spooled_at,
        error_kpa=error, overshoot_kpa=overshoot, creep_kpa_per_krpm=creep, duty_pct=wastegate,
        duty_spread_pct=wastegate_spread, duty_end_pct=wastegate_end, creep_over_target=creep_over,
        rise_kpa=rise, by_bin=_bins(t, n, p, wanted, run.opened_s),
    )  # fmt: skip


def _own_level(t: Floats, p: Floats, barometer: float) -> float:
    """Pressure at which a run without a target has spooled, kPa.

    The median from 90 % of the peak on; where pressure goes on rising in a straight line after
    its knee the peak belongs to the creep, and the level is that line's at the knee. The knee is
    the row furthest above the chord from the first row to the last.
    """
    good = np.isfinite(p)
    t, p = t[good], p[good]
    reached = p >= barometer + SPOOLED_SHARE * (p.max() - barometer)
    usual = float(np.median(p[int(np.argmax(reached)) :]))
    if t[-1] - t[0] < SETTLE_S + PLATEAU_S:
        return usual
    chord = p[0] + (p[-1] - p[0]) * (t - t[0]) / (t[-1] - t[0])
    knee = int(np.argmax(p - chord))
    after = t >= t[knee] + SETTLE_S
    if t[knee] <= t[0] or after.sum() < 5 or t[-1] - t[after][0] < PLATEAU_S:
        return usual
    before = (p[knee] - p[0]) / (t[knee] - t[0])
    late = after & (t >= 0.5 * (t[after][0] + t[-1]))
    creep, still = _slope(t[after], p[after]), _slope(t[late], p[late])
    # A turbocharger that comes slowly flattens out; a creep is as steep at the end.
    if not (before >= KNEE_STEEPER * creep and creep > 0.0 and still >= STRAIGHT_SHARE * creep):
        return usual
    centre = float(t[after].mean())
    at_knee = float(p[after].mean()) - creep * (centre - float(t[knee]))
    return min(usual, at_knee)


def _at_rest(t: Floats, plateau: Bools, rpm: Floats, duty: Floats | None) -> Bools:
    """The plateau's rows from which on the wastegate is at rest to the end; all where it is not.

    A control that has something left to give holds the pressure; the creep begins where its duty
    has gone to nothing. Where it gets there too late in the run for a slope, the last of the run,
    in which it went: over the whole plateau the held part would hide the rise.
    """
    if duty is None:
        return plateau
    least = float(np.nanmin(duty[plateau], initial=np.inf))
    if not least <= REST_DUTY_PCT:
        return plateau
    # The last rows may hold the duty that a closing throttle calls for.
    moves = plateau & ~(duty <= least + REST_STEP_PCT)
    busy = np.flatnonzero(segments.long_runs(moves, t, seconds=BUSY_S))
    rest: Bools = plateau.copy()
    if busy.size:
        rest[: int(busy[-1]) + 1] = False
    wide_enough = rest.sum() >= 5 and float(np.ptp(rpm[rest])) >= CREEP_SPAN_RPM
    if wide_enough:
        return rest
    gone = smoothing.median_or_nan(duty[t >= t[-1] - DUTY_END_S])
    if not gone <= GONE_SHARE * smoothing.median_or_nan(duty[plateau]):
        return plateau
    return np.asarray(plateau & (rpm >= float(np.max(rpm[plateau])) - 2.0 * CREEP_SPAN_RPM))


def _crossing(t: Floats, p: Floats, n: Floats, threshold: float) -> tuple[float, float]:
    """Time and speed at which p first rises through the threshold, interpolated."""
    above = p >= threshold
    if not above.any():
        return float("nan"), float("nan")
    k = int(np.argmax(above))
    if k == 0:
        return float(t[0]), float(n[0])
    part = (threshold - p[k - 1]) / max(p[k] - p[k - 1], 1e-9)
    return (
        float(t[k - 1] + part * (t[k] - t[k - 1])),
        float(n[k - 1] + part * (n[k] - n[k - 1])),
    )


def _slope(x: Floats, y: Floats) -> float:
    good = np.isfinite(x) & np.isfinite(y)
    x, y = x[good] - x[good].mean(), y[good]
    return float((x * y).sum() / max((x * x).sum(), 1e-9))


def _bins(
    t: Floats, n: Floats, p: Floats, wanted: Floats, opened: float
) -> tuple[tuple[int, float, float, float], ...]:
    """Mean pressure, lag and begin per speed bin, from 1 s after opening on, bins of 3 rows."""
    use = (t >= opened + 1.0) & np.isfinite(n) & np.isfinite(p)
    index = np.where(use, n / BIN_RPM, -1.0).astype(np.int64)
    found = []
    for k in np.unique(index[use]):
        rows = index == k
        if rows.sum() >= 3:
            lag = float(np.mean(wanted[rows] - p[rows]))
            found.append((int(k), float(p[rows].mean()), lag, float(t[rows][0]) - opened))
    return tuple(found)
