"""A manifold pressure that comes late after a tip-in: a kinked hose, a sensor that has aged.

When a throttle is thrown open, air fills the manifold within a tenth of a second and the engine
pulls at once. Three channels show one moment: throttle, pressure and the acceleration of the
engine. A pressure that is late against both is a slow reading. A controller that softens the pedal
delays pressure and pull alike; a plate that opens slowly tells nothing, for it fills the manifold
long before it is open.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.analysis._suspects import Bools, Floats, Suspect

# Sizes: common practice, no source.
STEP_S = 0.04
OPENS_PCT, WITHIN_S = 12.0, 0.32  # a tip-in
BEFORE_S, AFTER_S = (-1.0, -0.16), (1.4, 2.0)  # where it was, and where it has arrived
QUICK_S = 0.3  # for nearly all of its way: a plate that opens slowly fills long before it is open
FILLS_KPA, PULLS_RPM_S = 15.0, 120.0  # what the tip-in has to change
CALM_RPM_S = 3000.0  # more is a clutch, a gear change or wheels that spin
ARRIVED = 0.63  # of the way: a first-order lag's own time
#: s by which a slow reading arrives after what it cannot be late to. Sound ones lie within 0.1 s;
#: the acceleration is a mean over 0.4 s, the filling of a large manifold takes 0.1 s.
LATE_S, SURELY_LATE_S = 0.3, 0.32
LEAST_TIP_INS, MOST_TIP_INS = 2, 40
SLOWEST_LOG_S = 0.26


@dataclass(frozen=True)
class TipIns:
    """When pressure, acceleration and throttle arrived after each tip-in, s (k,) each."""

    pressure: Floats
    pull: Floats
    throttle: Floats
    at_s: Floats


def late_pressure(
    time: Floats, values: Mapping[str, Floats], running: Bools, barometer_kpa: float
) -> list[Suspect]:
    """Find a manifold pressure that follows too slowly."""
    t = tip_ins(time, values, running, barometer_kpa)
    if t is None:
        return []
    behind_throttle = float(np.median(t.pressure - t.throttle))
    late = _late(t.pressure - t.pull)
    if late is None or behind_throttle < SURELY_LATE_S:
        return []
    return [Suspect(
        channels=("manifold_pressure",), mode="slow", start_s=float(time[0]),
        end_s=float(time[-1]), confidence=0.85,
        seen=f"after {t.at_s.size} quick tip-ins it comes {behind_throttle:.2f} s behind the "
        f"throttle and {late:.2f} s behind the pull of the engine that it makes; a sound one is "
        "there within 0.2 s",
        evidence={"behind_the_pull": (late, "s"), "tip_ins": (float(t.at_s.size), "1"),
                  "behind_the_throttle": (behind_throttle, "s")},
    )]  # fmt: skip


def _late(by: Floats) -> float | None:
    """Seconds (median) of lateness where nearly all tip-ins (k,) show it, else None."""
    middle = float(np.median(by))
    enough = LATE_S if by.size > LEAST_TIP_INS else SURELY_LATE_S
    return middle if middle >= enough and float(np.quantile(by, 0.25)) >= 0.7 * LATE_S else None


def tip_ins(
    time: Floats, values: Mapping[str, Floats], running: Bools, barometer_kpa: float
) -> TipIns | None:
    """Arrival times of all clean tip-ins; None with fewer than two."""
    names = ("manifold_pressure", "engine_speed", "throttle_position")
    if any(n not in values for n in names) or time.size < 200:
        return None
    known = []
    for name in names:
        rows = np.flatnonzero(np.isfinite(values[name]))
        if rows.size < 200 or float(np.median(np.diff(time[rows]))) > SLOWEST_LOG_S:
            return None
        known.append((time[rows], values[name][rows]))
    foot_s, foot = known[2]
    later = np.interp(foot_s + WITHIN_S, foot_s, foot)
    opens = np.flatnonzero((later - foot >= OPENS_PCT) & running[np.searchsorted(time, foot_s)])
    if opens.size < LEAST_TIP_INS:
        return None
    first = np.append(True, np.diff(foot_s[opens]) > 1.0)
    begins = foot_s[opens[first]]
    offsets = np.arange(BEFORE_S[0], AFTER_S[1] + STEP_S, STEP_S)
    grid = begins[:, None] + WITHIN_S / 2.0 + offsets
    inside = (grid[:, 0] > time[0] + 0.2) & (grid[:, -1] < time[-1] - 0.2)
    grid = grid[inside][:MOST_TIP_INS]
    if not grid.size:
        return None
    kpa = np.minimum(np.interp(grid, *known[0]), barometer_kpa)  # beyond it a turbine takes over
    rpm = known[1]
    half = 5.0 * STEP_S
    pull = (np.interp(grid + half, *rpm) - np.interp(grid - half, *rpm)) / (2.0 * half)
    plate = np.interp(grid, foot_s, foot)
    arrived, changes, calm = [], [], np.abs(pull).max(axis=1) < CALM_RPM_S
    before = (offsets >= BEFORE_S[0]) & (offsets <= BEFORE_S[1])
    after = (offsets >= AFTER_S[0]) & (offsets <= AFTER_S[1])
    for curve, least in ((kpa, FILLS_KPA), (pull, PULLS_RPM_S), (plate, 0.7 * OPENS_PCT)):
        low, high = curve[:, before].mean(axis=1), curve[:, after].mean(axis=1)
        change = high - low
        way = (curve - low[:, None]) / np.where(change > 0.0, change, np.nan)[:, None]
        there = (way >= ARRIVED) & (offsets >= -0.2)
        arrived.append(offsets[np.argmax(there, axis=1)])
        if curve is plate:
            moving = (way > 0.1) & (way < 0.9) & (np.abs(offsets) < 1.0)
            calm &= np.count_nonzero(moving, axis=1) * STEP_S <= QUICK_S
        changes.append(change)
        calm &= (change >= least) & there.any(axis=1)
        if curve is not pull:
            calm &= np.ptp(curve[:, before], axis=1) < 0.5 * change + 3.0
            calm &= np.ptp(curve[:, after], axis=1) < 0.5 * change + 3.0
    if np.count_nonzero(calm) < LEAST_TIP_INS:
        return None
    return TipIns(arrived[0][calm], arrived[1][calm], arrived[2][calm], grid[calm, 0] + 1.0)
