"""A manifold pressure that is cut off at the end of its range."""

from collections.abc import Mapping

import numpy as np

from pipeline.analysis._suspects import Bools, Floats, Suspect
from pipeline.signals import segments

# All sizes: common practice, no source.
SATURATED_S = 0.6
UNSEEN_AIR = 1.08  # as much more air than the reading says; less is any table's error
HALF_UNSEEN = 1.04  # in each run
FLAT_RISE_RPM = 90.0  # the engine has to go through speeds while the reading lies flat
#: A level that stops the reading dead: s before and after it, kPa/s on the way there, kPa within
#: which it lies at once, and how often. A flap rounds off the last kPa, at 3 to 10 kPa/s.
STOPS_S, STOPS_KPA_S, STOPS_KPA, STOPS_LEAST = 0.4, 8.0, 0.4, 3


def _at_a_ceiling(p: Floats, lying: Bools, below: Bools) -> bool:
    """Whether the reading stands at one number up there and is noisy elsewhere."""
    moves = np.abs(np.diff(p[below]))
    step = float(np.min(moves[moves > 1e-6], initial=np.inf))
    still = moves[moves <= 2.0 * step + 1e-9]
    if not np.isfinite(step) or still.size < 30 or np.mean(still < 0.5 * step) > 0.5:
        return False  # too coarse, or slower than the log: neighbours are alike everywhere
    level = float(np.median(p[lying]))
    return bool(np.mean(np.abs(p[lying] - level) < 0.5 * step) > 0.8)


def _stops_dead(time: Floats, p: Floats, near: Bools) -> bool:
    """Whether the reading runs into its level fast and lies there at once, each time at the same.

    A flap opens, and a turbine slows, over some tenths of a second: boost rounds into its plateau
    or swings over it, and finds another one at another speed. The end of a scale does neither.
    near: rows (n,) at the level.
    """
    levels = []
    for a, b in zip(*segments.runs(near), strict=True):
        before = p[np.searchsorted(time, time[a] - STOPS_S) : a]
        first, late = np.searchsorted(time, time[a] + np.array([0.2, 1.0]) * STOPS_S)
        early, rest = p[first:late], p[late:b]
        if min(np.isfinite(x).sum() for x in (before, early, rest)) < 2:
            continue
        rise = (float(np.nanmean(early)) - float(np.nanmin(before))) / (2.0 * STOPS_S)
        if rise >= STOPS_KPA_S and abs(float(np.nanmean(early) - np.nanmean(rest))) <= STOPS_KPA:
            levels.append(float(np.nanmean(rest)))
    return len(levels) >= STOPS_LEAST and float(np.std(levels)) <= STOPS_KPA / 2.0


def _leans_out(values: Mapping[str, Floats], lying: Bools, below: Bools) -> bool:
    """Whether lambda over target is ``UNSEEN_AIR`` leaner at the level than in boost below it."""
    ratio = values.get("lambda")
    if ratio is None:
        return False
    target = values.get("lambda_target")
    ratio = ratio / target if target is not None else ratio
    up, down = lying & np.isfinite(ratio), ratio[below & np.isfinite(ratio)]
    if np.count_nonzero(up) < 5 or down.size < 5:
        return False
    # Air that is not seen is missing in every run; a pump that gives up does so late in some.
    middle = float(np.median(down))
    runs = [np.median(ratio[a:b][up[a:b]]) for a, b in zip(*segments.runs(lying), strict=True)
            if np.count_nonzero(up[a:b]) >= 5]  # fmt: skip
    least = min(runs, default=0.0)
    return least > HALF_UNSEEN * middle and bool(np.median(ratio[up]) > UNSEEN_AIR * middle)


def saturated(
    time: Floats, values: Mapping[str, Floats], running: Bools, barometer_kpa: float,
    range_kpa: float | None,
) -> list[Suspect]:  # fmt: skip
    """Find a manifold pressure that is cut off at one level while the speed rises.

    A wastegate that holds well lies as flat, so flatness alone proves nothing: the level must be
    the range stated, or no longer noisy where the reading is noisy below it, or be run into at
    full tilt time and again, or be left by a mixture that goes lean from there on (the controller
    cannot see the air above it).
    """
    p, rpm = values.get("manifold_pressure"), values.get("engine_speed")
    if p is None or rpm is None:
        return []
    known = running & np.isfinite(p) & np.isfinite(rpm)
    rows = np.flatnonzero(known)
    if rows.size < 50 or float(np.median(np.diff(time[rows]))) > 0.26:
        return []
    top = float(np.percentile(p[rows], 99.95))
    if top < barometer_kpa + 8.0 and not (range_kpa is not None and top >= range_kpa - 1.5):
        return []
    noise = max(1.2, 0.008 * top)
    near = known & (p >= top - noise)
    near = segments.fill_gaps(near, time, seconds=0.15)
    flat, (starts, ends) = [], segments.runs(near)
    for a, b in zip(starts, ends - 1, strict=True):
        if time[b] - time[a] < SATURATED_S:
            continue
        rise = float(np.nanmax(rpm[a : b + 1]) - np.nanmin(rpm[a : b + 1]))
        inside = p[a : b + 1][np.isfinite(p[a : b + 1])]
        if rise >= FLAT_RISE_RPM and inside.std() <= max(0.42, 0.0022 * top):
            flat.append((float(time[a]), float(time[b])))
    total = sum(b - a for a, b in flat)
    boost_s = np.count_nonzero(known & (p > barometer_kpa + 5.0)) * float(np.median(np.diff(time)))
    if total < max(1.0, 0.15 * boost_s):
        return []
    at_range = range_kpa is not None and top >= range_kpa - 1.5
    lying = np.zeros(time.size, dtype=bool)
    for begin, end in flat:
        lying |= (time >= begin) & (time <= end)
    below = known & (p < top - 3.0)
    if not (at_range or _at_a_ceiling(p, lying & known, below) or _stops_dead(time, p, near)
            or _leans_out(values, lying, below & (p > max(barometer_kpa, 0.8 * top)))):  # fmt: skip
        return []
    return [
        Suspect(channels=("manifold_pressure",), mode="saturated", start_s=flat[0][0],
                end_s=flat[-1][1], confidence=0.9, in_boost=top > barometer_kpa,
                seen=f"it never passes {top:.0f} kPa and lies flat there for {total:.1f} s while "
                "the engine speed rises: the real pressure may be higher",
                evidence={"flat_at": (top, "kPa"), "flat_for": (total, "s")})
    ]  # fmt: skip
