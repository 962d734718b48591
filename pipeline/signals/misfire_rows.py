"""What a class of steady running brings to the look for misses: its rows, and which of them count.

Rows faster than firings are averaged; rounding that shows, and swings of the speed as of a hunting
idle, are told from the engine's own noise before anything is looked for.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.signals.hunting import swings
from pipeline.signals.matched_filter import MAD_TO_SD
from pipeline.signals.order_tracking import alias_frequency, windows

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Rows closer than this are averaged: in faster ones the same firing may be logged twice and the
#: next one left out, and steps of the speed come alone, so that the noise has tails that no few
#: rises tell of. At 0.02 eight-cylinder engines at 50 Hz gave 15 false alarms in 100.
#: Where a new firing has passed in every row, and as many in each, none of that can be: rows are so
#: much longer than a firing, and the short ones (below) this share of the usual.
LEAST_INTERVAL_S, FIRING_CLEAR, EVEN_ROWS = 0.04, 0.8, 0.7
#: Uneven rows are left as they are where the speed moves by so many steps from row to row.
FREE_MOVES = 2.0
#: The row that a firing has to fit into is as short as this quantile of them (uneven stamps).
SHORT_ROWS = 0.1
#: Speed that moves by less than this share of a step from row to row, or scatters by less within
#: s, is not smoothed by its own noise: rounding makes it lopsided, and a course that falls comes
#: in falls of a step (at 0.5 of a step of true scatter the rounding's own share of the moments is
#: below 1 %: characteristic function exp(-2 (pi s)^2), Widrow; rounding adds 0.29 of a step to a
#: reading and 0.41 to a difference).
ROUNDED_MOVES, ROUNDED_SCATTER, ROUNDED_WINDOW_S = 0.75, 0.6, 2.0
#: Share of a step that rounding errs by. Where the speed scatters by the first of these shares of
#: a step or less, as logged (0.2 of true scatter: the error follows the course), nearly half a
#: step and no noise; from the second on (0.45 true: the error's dependence on the course is 2 %)
#: three quarters of its standard deviation 1 / sqrt(12), for most of it is in the measured noise
#: already; in proportion between.
UNDITHERED, DITHERED = 0.35, 0.53
GREATEST_ERROR, LEAST_ERROR = 0.42, 0.22
#: Moves from row to row of up to so many steps leave neighbouring rows rounded alike, from the
#: second on none (rounding itself makes 0.41 of a step of move).
ALIKE_MOVES = (0.5, 0.8)
#: s: where the speed is looked at before and after a row, to tell whether it came back: an engine
#: returns in 0.2-0.7 s from a miss, an idle control takes a load away in seconds (common practice).
BEFORE_S, AFTER_S = 0.6, (0.45, 1.2)
#: Another level after than before, by so many deviations of this log's own changes and by more than
#: a whole miss, is a load that came or went. Where loads come often, whitening takes most of one
#: away: the model learns them as noise, and what it leaves is shaped like a miss.
LEVEL_SIGMA, LEVEL_DROPS = 3.0, 1.0
#: rpm, Hz and periods from which a regular swing of the speed is no ground to look for single
#: misses on: each of its turns is a fall, too. A third of what is called hunting.
SWING_RPM, SWING_HZ, SWING_PERIODS = 12.0, (0.1, 2.0), 4.0
#: A stretch that swings for this share of its time is left out whole.
SWING_SHARE = 0.5
#: Hz: a swing so close to where the rate puts a line of the crank may be that line, unless it is
#: greater than a dead cylinder can draw it: the half order of a saw-tooth of one fall is a third of
#: the fall high, and the fall is known to a factor of two.
SWING_LINE_HZ, SWING_LINE_DROP = 0.3, 0.7


@dataclass(frozen=True)
class ClassInput:
    """One class of steady running: idle, or driving at about one speed.

    time_s, speed_rpm: (m,); starts: (m,) True at the first row of a stretch; drop_rpm: fall of
    speed expected from one missing firing.
    """

    name: str
    idle: bool
    time_s: FloatArray
    speed_rpm: FloatArray
    starts: BoolArray
    drop_rpm: float


def averaged(part: ClassInput, cylinders: int, step_rpm: float = 0.0) -> tuple[ClassInput, float]:
    """Average neighbouring rows so that none is shorter than a firing interval.

    A logged speed changes once a firing; rows that come faster repeat it or catch it half-way,
    and rounding shows. Returns the class and the seconds averaged over (0: as logged). The mean
    of stamps goes with the mean of speeds: nothing is put on a grid.
    """
    inside = np.diff(part.time_s)[~part.starts[1:]]
    if inside.size == 0:
        return part, 0.0
    interval = float(np.median(inside))
    firing = 120.0 / float(np.median(part.speed_rpm)) / cylinders
    short = float(np.quantile(inside, SHORT_ROWS))
    even = short > EVEN_ROWS * interval or _moves(part) > FREE_MOVES * step_rpm
    clear = firing < FIRING_CLEAR * short and even
    least = 0.0 if clear else LEAST_INTERVAL_S
    size = max(1, int(np.ceil(max(least / interval, firing / short) - 0.1)))
    if size == 1:
        return part, 0.0
    heads = np.flatnonzero(part.starts)
    stretch = np.cumsum(part.starts) - 1
    within = np.arange(part.starts.size) - heads[stretch]
    first = np.flatnonzero(within % size == 0)
    length = np.diff(np.append(first, part.starts.size))
    first, length = first[length == size], length[length == size]
    if first.size == 0:
        return part, 0.0
    pick = first[:, None] + np.arange(size)
    new_stretch = stretch[first]
    starts = np.concatenate([[True], np.diff(new_stretch) != 0])
    return replace(
        part, time_s=part.time_s[pick].mean(axis=1), speed_rpm=part.speed_rpm[pick].mean(axis=1),
        starts=starts,
    ), size * interval  # fmt: skip


def _moves(part: ClassInput) -> float:
    """Standard deviation of the speed's moves from row to row, rpm."""
    return float(np.std(np.diff(part.speed_rpm)[~part.starts[1:]]))


def is_rounded(part: ClassInput, step_rpm: float) -> bool:
    """Whether steps of ``step_rpm`` show in the speed as logged, its own noise being too small."""
    first = windows(part.starts, part.time_s, ROUNDED_WINDOW_S)
    count = np.diff(np.append(first, part.time_s.size))
    mean = np.add.reduceat(part.speed_rpm, first) / count
    scatter = float(np.std(part.speed_rpm - np.repeat(mean, count)))
    moves = float(np.std(np.diff(part.speed_rpm)[~part.starts[1:]]))
    return scatter < ROUNDED_SCATTER * step_rpm or moves < ROUNDED_MOVES * step_rpm


def rounding_error(part: ClassInput, step_rpm: float) -> float:
    """Error of rounding to ``step_rpm``, in rpm, that the noise is never taken to be below.

    The engine's own scatter smooths steps. A course that rises or falls does not, so a straight
    line is taken out of every window; the usual window counts, for in some a load comes or goes.
    """
    first = windows(part.starts, part.time_s, ROUNDED_WINDOW_S)
    count = np.diff(np.append(first, part.time_s.size)).astype(np.float64)
    window = np.repeat(np.arange(first.size), count.astype(np.int64))
    away = [x - (np.add.reduceat(x, first) / count)[window] for x in (part.time_s, part.speed_rpm)]
    tt, ty, yy = (
        np.add.reduceat(away[i] * away[j], first) for i, j in ((0, 0), (0, 1), (1, 1))
    )  # fmt: skip
    left = np.maximum(yy - ty * ty / np.maximum(tt, 1e-12), 0.0)
    scatter = float(np.median(np.sqrt(left / np.maximum(count - 2.0, 1.0))))
    share = np.interp(scatter / max(step_rpm, 1e-9), (UNDITHERED, DITHERED),
                      (GREATEST_ERROR, LEAST_ERROR))  # fmt: skip
    return float(share * step_rpm)


def rounded_alike(part: ClassInput, step_rpm: float) -> float:
    """Step in rpm as far as neighbouring rows are rounded alike, 0 where the speed moves freely."""
    moves = float(np.std(np.diff(part.speed_rpm)[~part.starts[1:]])) / max(step_rpm, 1e-9)
    return float(np.interp(moves, ALIKE_MOVES, (1.0, 0.0))) * step_rpm


def levelled(part: ClassInput) -> BoolArray:
    """Rows (m,) after which the speed stays elsewhere than it was before: a load came or went."""
    n = part.time_s.size
    heads = np.flatnonzero(part.starts)
    stretch = np.cumsum(part.starts) - 1
    begin, end = heads[stretch], np.append(heads[1:], n)[stretch]
    inside = np.diff(part.time_s)[~part.starts[1:]]
    if inside.size == 0:
        return np.zeros(n, dtype=bool)
    rows = 1.0 / float(np.median(inside))
    row = np.arange(n)
    total = np.concatenate([[0.0], np.cumsum(part.speed_rpm - part.speed_rpm.mean())])
    first = row - max(3, round(BEFORE_S * rows))
    after = row + max(2, round(AFTER_S[0] * rows))
    last = row + max(4, round(AFTER_S[1] * rows))
    whole = (first >= begin) & (last <= end)
    if not whole.any():
        return np.zeros(n, dtype=bool)
    row, first, after, last = row[whole], first[whole], after[whole], last[whole]
    moved = (total[last] - total[after]) / (last - after) - (total[row] - total[first]) / (
        row - first
    )
    usual = MAD_TO_SD * float(np.median(np.abs(moved)))
    out = np.zeros(n, dtype=bool)
    out[row] = np.abs(moved) > max(LEVEL_SIGMA * usual, LEVEL_DROPS * part.drop_rpm)
    return out


def swinging(part: ClassInput) -> BoolArray:
    """Rows (m,) in which the speed swings regularly, slower than any line of the crank.

    Hunting turns round faster than it falls or falls faster than it rises; what is sudden there
    are its own turns, not firings that fail. A cylinder's line that a slow rate folds down to such
    a pace is none.
    """
    out = np.zeros(part.time_s.size, dtype=bool)
    heads = np.flatnonzero(part.starts)
    for a, b in zip(heads, np.append(heads[1:], part.starts.size), strict=True):
        if b - a < 8:
            continue
        time, speed = part.time_s[a:b], part.speed_rpm[a:b]
        rate = (b - a - 1) / float(time[-1] - time[0])
        orders = np.arange(1, 4)  # half orders; their lines are so many times smaller
        turns = float(np.median(speed)) / 120.0 * orders
        lines = alias_frequency(turns, rate)
        top = min(SWING_HZ[1], rate / 3.0)
        found = swings(time, speed, least_rpm=SWING_RPM, low_hz=SWING_HZ[0], high_hz=top,
                       least_periods=SWING_PERIODS)  # fmt: skip
        rows = out[a:b]
        for swing in found:
            near = np.abs(lines - swing.frequency_hz) < SWING_LINE_HZ
            if (near & (orders * swing.amplitude_rpm < SWING_LINE_DROP * part.drop_rpm)).any():
                continue
            side = 1.0 / swing.frequency_hz
            rows |= (time >= swing.start_s - side) & (time <= swing.end_s + side)
        rows |= rows.mean() > SWING_SHARE
    return out
