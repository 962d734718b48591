"""Stretches of too much boost (over ceiling or target), and those where none came at all."""

from dataclasses import dataclass

import numpy as np

from pipeline.facts.full_throttle_runs import FullThrottleRuns
from pipeline.limits import Limits
from pipeline.session import View
from pipeline.signals import segments, smoothing
from pipeline.signals.segments import Bools, Floats

#: kPa over the barometer a target has to ask for before it is one of boost.
LEAST_TARGET_KPA = 8.0
#: Share of the allowed excess over target from which an excursion counts as begun: what a control
#: swings around its target is none, and would start the clock of the overshoot too soon.
BEGUN_SHARE = 0.3
#: s for which a pressure stands too high before it is more than the charge that a lift shut in
#: and that empties into the manifold as the plate opens again. Choice, some ten intake strokes.
LEAST_HIGH_S = 0.15
#: kPa per s by which pressure still rises at the end of an episode without a plateau.
NO_PLATEAU_KPA_S = 8.0
#: s at least a run has to spend above the spool speed to be judged for loss.
LOSS_S = 0.7
#: s of full throttle before a run is judged: shorter, and the manifold has only just filled.
OPEN_S = 1.5
#: Share of the rev limit by which a turbocharger is taken to have spooled where the vehicle's
#: own speed is not known better (road engines spool at a third to a half; common practice).
LATEST_SPOOL = 0.60


@dataclass(frozen=True)
class Episode:
    """One stretch of too much pressure."""

    start_s: float
    end_s: float
    most_kpa: float
    over_kpa: float
    rpm: float
    rising: bool
    rows: int
    ceiling: bool


def over_boost_episodes(
    view: View,
    smooth: Floats,
    target: Floats | None,
    barometer: Floats,
    rpm: Floats,
    running: Bools,
) -> list[Episode]:
    """Episodes above the ceiling, or above the target for longer than overshoot is allowed."""
    time, limits = view.time, view.limits
    high = np.zeros(time.size, dtype=bool)
    ceiling = limits.manifold_pressure_max_kpa
    above_ceiling = high.copy()
    if ceiling is not None:
        above_ceiling = running & (smooth > ceiling)
        high |= segments.long_runs(above_ceiling, time, seconds=0.1)
    over = np.full(time.size, np.nan)
    if target is not None:
        asked = running & (target > barometer + LEAST_TARGET_KPA)
        # A target that falls faster than air can leave is not a fault of the boost.
        steady = _held_steady(time, target)
        over = np.where(asked & steady, smooth - target, np.nan)
        high |= _beyond_target(time, over, limits)
    high = segments.fill_gaps(high, time, seconds=0.5)
    episodes = []
    slope = smoothing.moving_slope(time, smooth, seconds=0.6)
    for a, b in zip(*segments.runs(high), strict=True):
        part = slice(int(a), int(b))
        top = int(a + np.nanargmax(smooth[part]))
        tail = (time[part] >= time[b - 1] - 0.6) & np.isfinite(slope[part])
        last = float(np.median(slope[part][tail])) if tail.any() else 0.0
        rising = (
            time[b - 1] - time[a] >= 0.6
            and not _held_before(time, smooth, int(a))
            and last > NO_PLATEAU_KPA_S
            and smooth[top] - float(np.nanmean(smooth[part][-3:])) < 3.0
        )
        most = float(smooth[top])
        beyond = bool(above_ceiling[part].any())
        if beyond and ceiling is not None:
            excess = most - ceiling
        else:
            excess = float(np.nanmax(over[part], initial=0.0))
        episodes.append(
            Episode(float(time[a]), float(time[b - 1]), most, float(excess), float(rpm[top]),
                    bool(rising), int(b - a), beyond)
        )  # fmt: skip
    return episodes


def _held_before(time: Floats, smooth: Floats, start: int) -> bool:
    """Whether pressure stood within 12 kPa of an episode's start for 0.8 s: it had a plateau."""
    begin = int(np.searchsorted(time, time[start] - 0.8))
    return bool(np.nanmin(smooth[begin : start + 1]) >= smooth[start] - 12.0)


def _held_steady(time: Floats, target: Floats) -> Bools:
    """Rows whose target did not fall by more than 5 kPa within the second before."""
    before = np.interp(time - 1.0, time, np.nan_to_num(target))
    half = np.interp(time - 0.5, time, np.nan_to_num(target))
    return (np.maximum(before, half) - target <= 5.0) | ~np.isfinite(target)


def _beyond_target(time: Floats, over: Floats, limits: Limits) -> Bools:
    """Rows of excursions over target that last too long or go too far."""
    high = np.zeros(time.size, dtype=bool)
    begun = np.nan_to_num(over, nan=-1.0) > BEGUN_SHARE * limits.over_boost_kpa
    for a, b in zip(*segments.runs(begun), strict=True):
        part = slice(int(a), int(b))
        early = time[part] <= time[a] + limits.overshoot_s
        far = (over[part] > limits.overshoot_kpa) & early
        far = segments.long_runs(far, time[part], seconds=LEAST_HIGH_S)
        late = (over[part] > limits.over_boost_kpa) & ~early
        late = segments.long_runs(late, time[part], seconds=limits.over_boost_s)
        if far.sum() >= 2 or late.sum() >= 2:
            high[part] = (over[part] > limits.over_boost_kpa) & (late | far | late.any())
    return high


def never_came(view: View, rpm: Floats) -> list[tuple[float, float]]:
    """Full-throttle stretches in which a turbocharger should have spooled, (start, end) in s.

    For a vehicle said to be boosted whose manifold never left the barometer: no target and no
    earlier run is needed to tell that nothing came at all.
    """
    full: FullThrottleRuns | None = view.fact("full_throttle_runs")
    if full is None or view.vehicle.engine.forced_induction is not True:
        return []
    out = []
    for run in full.runs:
        rows = slice(run.start, run.end)
        t = view.time[rows]
        due = t[(t - run.opened_s >= OPEN_S)
                & (rpm[rows] >= LATEST_SPOOL * view.vehicle.engine.rev_limit_rpm)]  # fmt: skip
        if due.size >= 3 and due[-1] - due[0] >= LOSS_S:
            out.append((run.start_s, run.end_s))
    return out
