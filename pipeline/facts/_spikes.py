"""Lone samples that no engine can make."""

from collections.abc import Mapping

import numpy as np

from pipeline.signals import segments
from pipeline.signals.segments import Bools, Floats, Ints

#: A lone sample this far from both neighbours, which agree, cannot have been in the engine.
SPIKE: Mapping[str, float] = {
    "engine_speed": 600.0,  # up and down again in 0.2 s: an unloaded engine manages half of it
    "coolant_temperature": 8.0,
    "intake_air_temperature": 12.0,
    "ambient_air_temperature": 8.0,
    "oil_temperature": 10.0,
    "fuel_temperature": 8.0,
    "manifold_pressure": 45.0,
    "barometric_pressure": 4.0,
    "battery_voltage": 3.0,
    "vehicle_speed": 25.0,
    "fuel_pressure": 150.0,
    "oil_pressure": 100.0,  # the pump follows the speed, and its valve and filter dampen it
    "exhaust_gas_temperature": 80.0,  # a thermocouple's tip takes tenths of a second
    "mass_air_flow": 40.0,  # g/s
    "throttle_position": 55.0,
    "lambda": 0.2,
    "lambda_2": 0.2,
}
SPIKES_FOR_FAULT = 3
#: These move fast by themselves: a lone value tells only where the log is quicker, s over which.
SPIKE_WITHIN_S: Mapping[str, float] = {
    "engine_speed": 0.21,
    "manifold_pressure": 0.25,
    "throttle_position": 0.21,
    "vehicle_speed": 1.2,
    "fuel_pressure": 0.5,
    "oil_pressure": 0.35,
    "exhaust_gas_temperature": 0.55,
    "mass_air_flow": 0.25,
    "lambda": 0.21,
    "lambda_2": 0.21,
}
#: What has to stand still beside a lone value, and within what: lifts, cuts at the limiter and
#: gear changes send short slugs of air or fuel past the wideband.
ALL_STILL: Mapping[str, float] = {
    "manifold_pressure": 8.0,
    "engine_speed": 250.0,
    "throttle_position": 4.0,
}

#: rpm above which a limiter may cut single firings (common practice, no source), whose air makes
#: lone values beside a speed that stands, and between much of it what burned does.
CUTS_RPM = 3500.0
STEADY_LAMBDA = 0.1  # the other values around, so that no fuel cut begins or ends there

#: In a slower log a lone value tells where what would move it stood still: channel -> (sibling,
#: its least change that could explain it). No air fills or empties a manifold unasked, and no
#: throttle opens without the manifold noticing.
STILL_BESIDE: Mapping[str, tuple[str, float]] = {
    "manifold_pressure": ("throttle_position", 4.0),
    "throttle_position": ("manifold_pressure", 8.0),
    "mass_air_flow": ("throttle_position", 4.0),
}
#: A smaller lone value, in a log quick enough, tells where its sibling stood still: no foot and
#: no motor opens a throttle by a quarter and shuts it within that time unnoticed.
SMALLER: Mapping[str, float] = {"throttle_position": 25.0, "mass_air_flow": 20.0}
#: rpm below which a lone speed is a signal that was lost, which is another fault.
LOST_RPM = 400.0
SLOW_WITHIN_S = 0.55  # neighbours of a lone value in a log of 4 Hz
CHOKED_SHARE = 0.75  # of the highest pressure: above it an open throttle changes little


def lone_rows(name: str, time: Floats, values: Mapping[str, Floats]) -> Bools:
    """Rows (n,) of lone values of a channel that no engine can make, in a log of any rate."""
    x, within = values[name], SPIKE_WITHIN_S.get(name, 1e9)
    sibling, least = STILL_BESIDE.get(name, ("", 0.0))
    beside = values.get(sibling)
    if name == "engine_speed":
        return spike_rows(time, x, SPIKE[name], within) & (x > LOST_RPM)
    if name.startswith("lambda"):
        lone = spike_rows(time, x, SPIKE[name], within)
        rows = np.flatnonzero(lone)
        low, high = _around(time, np.where(lone, np.nan, x), rows) if rows.size else (0.0, 0.0)
        kept = high - low < STEADY_LAMBDA
        if "engine_speed" in values and rows.size:
            speed = segments.hold(time, values["engine_speed"], seconds=1.0)
            kept &= ~(speed[rows] > CUTS_RPM)
        lone[rows] &= kept
        rows = np.flatnonzero(lone)
        for other, most in ALL_STILL.items() if rows.size else ():
            low, high = _around(time, values[other], rows) if other in values else (0.0, np.inf)
            lone[rows] &= high - low < most
        return lone
    if beside is None or within >= SLOW_WITHIN_S:
        return spike_rows(time, x, SPIKE[name], within)
    wide = spike_rows(time, x, SPIKE[name], SLOW_WITHIN_S)
    if name in SMALLER:
        wide |= spike_rows(time, x, SMALLER[name], within)
    if not wide.any():
        return wide
    quick = spike_rows(time, x, SPIKE[name], within)
    slow = np.flatnonzero(wide & ~quick)
    low, high = _around(time, beside, slow)
    still = high - low < least
    if sibling == "manifold_pressure":
        still &= high < CHOKED_SHARE * float(np.nanmax(beside, initial=-np.inf))
    quick[slow] = still
    return quick


def _around(time: Floats, beside: Floats, rows: Ints) -> tuple[Floats, Floats]:
    """Lowest and highest value (k,) of a sibling around each row; NaN with fewer than three."""
    known = np.flatnonzero(np.isfinite(beside))
    begin = np.searchsorted(time[known], time[rows] - SLOW_WITHIN_S)
    end = np.searchsorted(time[known], time[rows] + SLOW_WITHIN_S, side="right")
    low, high = segments.window_extremes(beside[known], begin, end)
    few = end - begin < 3
    return np.where(few, np.nan, low), np.where(few, np.nan, high)


def spike_rows(time: Floats, x: Floats, size: float, within_s: float = 1e9) -> Bools:
    """Rows (n,) of a lone value that differs by ``size`` from both neighbours, which agree.

    The one before and the one after lie ``within_s`` seconds of each other. Neighbours are the
    values before and after it; a value repeated up to three rows (a logger that is faster than
    its sensor) still counts as one.
    """
    rows = np.flatnonzero(np.isfinite(x))
    out = np.zeros(x.size, dtype=bool)
    if rows.size < 3:
        return out
    y = x[rows]
    starts = np.concatenate([[0], np.flatnonzero(np.diff(y) != 0.0) + 1])
    if starts.size < 3:
        return out
    lengths = np.diff(np.concatenate([starts, [y.size]]))
    level = y[starts]
    before, here, after = level[:-2], level[1:-1], level[2:]
    away = np.minimum(np.abs(here - before), np.abs(here - after))
    same_side = np.sign(here - before) == np.sign(here - after)
    lone = (away >= size) & same_side & (np.abs(after - before) < 0.35 * away)
    typical = max(float(np.median(lengths)), 1.0)
    lone &= lengths[1:-1] <= np.maximum(3.0, 1.5 * typical)
    ends = np.concatenate([starts[1:], [y.size]]) - 1
    lone &= time[rows[starts[2:]]] - time[rows[ends[:-2]]] <= within_s
    first = starts[1:-1][lone]
    out[rows[segments.spread(y.size, first, first + lengths[1:-1][lone])]] = True
    return out
