"""The electrical ends of a sensor's scale: wires that are off, shorted, or without a signal.

All sizes: common practice, no source.
"""

from collections.abc import Mapping

import numpy as np

from pipeline.signals.segments import Bools, Floats

OPEN_C = -35.0  # an unplugged thermistor reads the cold end of its table, -40 as a rule
SUPPORTED_K = 20.0  # unless another thermometer is that cold too
OPEN_OR_SHORT_S = 1.5  # shorter is a spike
#: A shorted thermistor reads the hot end; above what the medium can reach while running.
SHORT_C: Mapping[str, float] = {
    "coolant_temperature": 135.0, "intake_air_temperature": 130.0,
    "ambient_air_temperature": 75.0, "oil_temperature": 175.0, "fuel_temperature": 120.0,
}  # fmt: skip
JUMP_S, JUMP_K = 2.0, 15.0  # air and metal take longer: a wire does not
STILL_K = 1.5  # one step of a coarse log; what moves more is warmed and cooled by something
#: The floor of a voltage-driven sensor whose signal is gone (while the engine runs).
DEAD_FLOOR: Mapping[str, float] = {
    "manifold_pressure": 2.5,  # under any overrun vacuum
    "barometric_pressure": 45.0,  # under that of any road
    "battery_voltage": 6.0, "fuel_pressure": 5.0, "mass_air_flow": 0.0,
    "lambda": 0.35, "lambda_2": 0.35,  # no flame is richer
}  # fmt: skip
DEAD_S = 5.0
#: kPa by which a manifold pressure falls at once when its signal goes; overrun gets there slowly.
DEAD_LEAP_KPA = 8.0
#: degC from which a thermometer that leapt there and stands is shorted, whatever its table's end.
HOT_STAND_C = 120.0


def carried(x: Floats) -> Floats:
    """Values (n,) with each missing one replaced by the last one before it (NaN before any)."""
    known = np.isfinite(x)
    if known.all():
        return x
    at = np.maximum.accumulate(np.where(known, np.arange(x.size), -1))
    return np.where(at >= 0, x[np.maximum(at, 0)], np.nan)


def open_rows(name: str, values: Mapping[str, Floats]) -> Bools:
    """Rows at the cold end of the table with no other thermometer near it."""
    cold = values[name] <= OPEN_C
    if not cold.any():
        return cold
    for other in SHORT_C:
        if other != name and other in values:
            cold &= ~(carried(values[other]) <= OPEN_C + SUPPORTED_K)
    return cold


def without_a_way_up(time: Floats, x: Floats, hot: Bools) -> Bools:
    """Rows of ``hot`` (n,) less the stretches that were reached by warming and keep moving.

    A wire that touches ground is at the end of the table from one sample to the next, and stays at
    one value; charge air without a cooler climbs there, and moves with the pressure.
    """
    out = hot.copy()
    for a, b in episodes(time, hot, 0.0):
        before = x[np.searchsorted(time, time[a] - JUMP_S) : a]
        before = before[np.isfinite(before)]
        climbed = before.size > 0 and x[a] - before[0] < JUMP_K
        if climbed and span(x[a : b + 1], hot[a : b + 1]) > STILL_K:
            out[a : b + 1] = False
    return out


def dead_rows(name: str, x: Floats, settled: Bools) -> Bools:
    """Rows (n,) at the floor of a sensor without a signal.

    A manifold pressure that reads low passes the floor in overrun: it is dead only from a leap on,
    or from where it is known first.
    """
    floor = (x <= DEAD_FLOOR[name]) & settled
    if name != "manifold_pressure" or not floor.any():
        return floor
    rows = np.flatnonzero(np.isfinite(x))
    low = floor[rows]
    begins = np.flatnonzero(low & ~np.append(False, low[:-1]))
    ends = np.append(np.flatnonzero(low[:-1] & ~low[1:]) + 1, rows.size)
    for a, b in zip(begins, ends, strict=False):
        if a > 0 and settled[rows[a - 1]] and x[rows[a - 1]] - x[rows[a]] < DEAD_LEAP_KPA:
            floor[rows[a:b]] = False
    return floor


def leapt(x: Floats, first: int) -> bool:
    """Whether a thermometer stands at a heat that it reached from one sample to the next."""
    before = x[max(0, first - 200) : first]
    before = before[np.isfinite(before)]
    return bool(x[first] >= HOT_STAND_C and before.size and x[first] - before[-1] >= JUMP_K)


def episodes(time: Floats, rows: Bools, shortest: float) -> list[tuple[int, int]]:
    """Index ranges (first, last) of true stretches of at least ``shortest`` seconds."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rows.view(np.int8), [0]])))
    first, last = edges[::2], edges[1::2] - 1
    keep = time[last] - time[first] >= shortest
    return list(zip(first[keep].tolist(), last[keep].tolist(), strict=True))


def span(x: Floats, rows: Bools) -> float:
    """Robust range of the values in ``rows``: the 90 % in the middle."""
    y = x[rows]
    y = y[np.isfinite(y)]
    if y.size < 5:
        return 0.0
    low, high = np.percentile(y, [5, 95])
    return float(high - low)
