"""Stretches of rows: runs of a condition, holding of values, sliding extremes. Pure functions."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

#: Windows whose extremes are sought in one go: their tables lie in a core's own cache and are small
#: beside a long log (measured: a quarter of the time, 90,000 rows).
WINDOWS = 1 << 14


def runs(mask: Bools) -> tuple[Ints, Ints]:
    """Starts and ends (exclusive) of the runs of True in ``mask`` (n,); each of shape (k,)."""
    edges = np.diff(np.r_[False, mask, False].astype(np.int8))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)


def run_times(time: Floats, starts: Ints, ends: Ints) -> Floats:
    """Seconds each run [start, end) lasts, up to the first row after it (or the last row).

    time: (n,), s. starts, ends: (k,) row indices. Returns (k,).
    """
    last = time.size - 1
    return time[np.minimum(ends, last)] - time[starts]


def long_runs(mask: Bools, time: Floats, *, seconds: float) -> Bools:
    """Keep only the runs of True that last ``seconds`` or longer."""
    starts, ends = runs(mask)
    keep = run_times(time, starts, ends) >= seconds - 1e-9
    return spread(mask.size, starts[keep], ends[keep])


def fill_gaps(mask: Bools, time: Floats, *, seconds: float) -> Bools:
    """Close inner gaps (runs of False between Trues) that last less than ``seconds``."""
    starts, ends = runs(~mask)
    inner = (starts > 0) & (ends < mask.size)
    short = inner & (run_times(time, starts, ends) < seconds)
    return mask | spread(mask.size, starts[short], ends[short])


def spread(size: int, starts: Ints, ends: Ints) -> Bools:
    """Mask (size,) that is True in every [start, end); the stretches may overlap."""
    edges = np.zeros(size + 1, dtype=np.int64)
    np.add.at(edges, starts, 1)
    np.add.at(edges, ends, -1)
    return np.cumsum(edges[:-1]) > 0


def last_true(mask: Bools) -> Ints:
    """Index (n,) of the latest True at or before each row, -1 before the first."""
    return np.maximum.accumulate(np.where(mask, np.arange(mask.size), -1))


def hold(time: Floats, values: Floats, *, seconds: float) -> Floats:
    """Carry each value forward over NaN for at most ``seconds``; before the first one, backward.

    time, values: (n,). Returns (n,), NaN where no value is near enough.
    """
    good = np.isfinite(values)
    if good.all() or not good.any():
        return values
    index = last_true(good)
    age = time - time[index]
    held = np.where((index >= 0) & (age <= seconds), values[index], np.nan)
    first = int(np.argmax(good))
    held[:first] = np.where(time[first] - time[:first] <= seconds, values[first], np.nan)
    return held


def update_interval(time: Floats, values: Floats) -> float:
    """Median seconds between rows where ``values`` (n,) is logged, NaN with fewer than two."""
    at = time[np.isfinite(values)]
    return float(np.median(np.diff(at))) if at.size > 1 else float("nan")


def window_extremes(values: Floats, starts: Ints, ends: Ints) -> tuple[Floats, Floats]:
    """Minimum and maximum of ``values[start:end]`` for many windows; NaN for empty ones.

    values: (n,) finite. starts, ends: (k,), 0 <= start <= end <= n, rising where it is to be quick.
    """
    low, high = np.empty(starts.size), np.empty(starts.size)
    for at in range(0, starts.size, WINDOWS):
        here = slice(at, at + WINDOWS)
        first, last = int(starts[here].min()), int(ends[here].max())
        part = _extremes(values[first:last], starts[here] - first, ends[here] - first)
        low[here], high[here] = part
    return low, high


def _extremes(values: Floats, starts: Ints, ends: Ints) -> tuple[Floats, Floats]:
    """Sparse table: each window is covered by two blocks of the greatest power of two that fits."""
    length = ends - starts
    low = np.full(starts.size, np.nan)
    high = np.full(starts.size, np.nan)
    level_of = np.zeros(starts.size, dtype=np.int64)
    full = length > 0
    level_of[full] = np.floor(np.log2(length[full])).astype(np.int64)
    smallest, largest = values, values
    for level in range(int(level_of.max(initial=0)) + 1):
        pick = full & (level_of == level)
        a, b = starts[pick], ends[pick] - (1 << level)
        low[pick] = np.minimum(smallest[a], smallest[b])
        high[pick] = np.maximum(largest[a], largest[b])
        step = 1 << level
        if values.size - step > 0:
            smallest = np.r_[np.minimum(smallest[:-step], smallest[step:]), smallest[-step:]]
            largest = np.r_[np.maximum(largest[:-step], largest[step:]), largest[-step:]]
    return low, high


def largest_change(time: Floats, values: Floats, *, seconds: float) -> Floats:
    """Largest less smallest value (n,) of the last ``seconds``; 0 for a channel without a value.

    time (n,) s, rising; values (n,), where NaN counts as the median.
    """
    known = np.isfinite(values)
    if not known.any():
        return np.zeros(time.size)
    filled = values if known.all() else np.where(known, values, np.nanmedian(values))
    begin = np.searchsorted(time, time - seconds, side="left")
    low, high = window_extremes(filled, begin, np.arange(1, time.size + 1))
    return np.asarray(high - low)


def steady(time: Floats, values: Floats, *, seconds: float, fraction: float, slack: float) -> Bools:
    """Rows that lie in some window of ``seconds`` in which ``values`` stay within a band.

    A window is steady when its maximum is at most ``fraction`` of its middle plus ``slack``
    above its minimum. time (n,) s; values (n,), NaN is never steady. Returns (n,).
    """
    good = np.isfinite(values)
    filled = np.where(good, values, 1e30)
    ends = np.searchsorted(time, time + seconds, side="left")
    whole = ends < time.size
    starts = np.flatnonzero(whole)
    stops = ends[whole] + 1
    low, high = window_extremes(filled, starts, stops)
    ok = (high - low <= fraction * 0.5 * (high + low) + slack) & (high < 1e29)
    return spread(time.size, starts[ok], stops[ok]) & good


def merge_short(code: NDArray[np.int8], time: Floats, *, seconds: float) -> NDArray[np.int8]:
    """Give each run shorter than ``seconds`` between two of one code that code: it flickered.

    A short run on the way from one code to another happened and stays.
    """
    if code.size == 0:
        return code
    starts = np.flatnonzero(np.r_[True, code[1:] != code[:-1]])
    ends = np.r_[starts[1:], code.size]
    found = code[starts]
    flicker = run_times(time, starts, ends) < seconds
    flicker[[0, -1]] = False
    flicker[1:-1] &= found[:-2] == found[2:]
    # Of flickers in a row every other one is left, so that none borrows from another.
    before = np.maximum.accumulate(np.where(flicker, -1, np.arange(starts.size)))
    flicker &= (np.arange(starts.size) - before) % 2 == 1
    source = np.where(flicker, np.arange(starts.size) - 1, np.arange(starts.size))
    return np.repeat(found[source], ends - starts)
