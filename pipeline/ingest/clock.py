"""One time axis per session: roll-overs resolved, restarts and gaps cut, logged times kept."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.ingest.stamps import DAY_S, Stamps

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

GAP_S = 60.0
"""Rows so close belong together: what tells a wrap, midnight, noon or a wild stamp from a gap."""

SMALL_STEP_S = 1.0
"""A clock that steps back by less than this is no restart (contract)."""

RECOVER_ROWS = 3
"""Rows within which a small step back is a row out of order; later the clock was set back."""


@dataclass(frozen=True, slots=True)
class Cut:
    """A session begins at row `row`; why and after how long without rows."""

    row: int
    reason: str
    gap_s: float | None


@dataclass(frozen=True, slots=True)
class Axis:
    """Rows kept, their unrolled seconds (not yet strictly increasing), where sessions begin."""

    keep: Bools
    seconds: Floats
    cuts: list[Cut]


def unroll(stamps: Stamps, gap_s: float) -> Axis:
    """Undo wraps, midnight and noon, drop wild stamps, and find restarts and gaps of ``gap_s``."""
    keep = np.isfinite(stamps.seconds)
    keep = _without_wild(stamps, keep)
    seconds = stamps.seconds[keep].copy()
    cuts: list[Cut] = []
    for row in np.flatnonzero(np.diff(seconds) < 0) + 1:
        step = float(seconds[row] - seconds[row - 1])
        wrap = _wrap(stamps, float(seconds[row - 1]), float(seconds[row]), seconds[:row])
        if wrap is not None:
            seconds[row:] += wrap
        elif step > -SMALL_STEP_S + 1e-9:
            continue
        else:
            cuts.append(Cut(int(row), "clock_restart", None))
    restarts = {cut.row for cut in cuts}
    for row in np.flatnonzero(np.diff(seconds) >= gap_s - 1e-9) + 1:
        if int(row) not in restarts:
            gap = float(seconds[row] - seconds[row - 1])
            cuts.append(Cut(int(row), "gap", round(gap, 3)))
    cuts.sort(key=lambda cut: cut.row)
    return Axis(keep, seconds, cuts)


def _without_wild(stamps: Stamps, keep: Bools) -> Bools:
    """Leave out single stamps that agree with neither neighbour, while these agree."""
    index = np.flatnonzero(keep)
    if len(index) < 5:
        return keep
    usual = usual_step(stamps.seconds[index])
    near = max(5 * usual, SMALL_STEP_S)
    result = keep.copy()
    for _ in range(2):
        t = stamps.seconds[index]
        bridge = t[2:] - t[:-2]
        off = (t[1:-1] - t[:-2] < -SMALL_STEP_S) | (t[1:-1] - t[2:] > SMALL_STEP_S)
        wild = (bridge >= 0) & (bridge <= near) & off
        if not wild.any():
            break
        result[index[1:-1][wild]] = False
        index = np.flatnonzero(result)
        if len(index) < 5:
            return result
    # A first or last stamp has one neighbour; the rest of the log vouches for that.
    t = stamps.seconds[index]
    rest = np.diff(t)
    if np.all(np.abs(rest[1:]) < GAP_S) and (rest[0] < -SMALL_STEP_S or rest[0] > 3600 * 12):
        result[index[0]] = False
    if np.all(np.abs(rest[:-1]) < GAP_S) and rest[-1] > 3600 * 12:
        result[index[-1]] = False
    return result


def usual_step(seconds: Floats) -> float:
    """Median of the forward steps, 0 where there is none."""
    steps = np.diff(seconds)
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 0.0


def _wrap(stamps: Stamps, before: float, after: float, earlier: Floats) -> float | None:
    """What to add where the clock has wrapped, None where it has not."""
    step = after - before
    near = max(10 * usual_step(earlier[-2000:]), SMALL_STEP_S)
    if stamps.kind == "time":
        if -SMALL_STEP_S < step + DAY_S < GAP_S:
            return DAY_S
        within = before % DAY_S
        if stamps.twelve_hours and -SMALL_STEP_S < step + DAY_S / 2 < GAP_S:
            return DAY_S / 2
        # Late in the evening to early in the morning: midnight with a gap, not a restart.
        if within > DAY_S - 7200 and after % DAY_S < 7200 and step + DAY_S > 0:
            return DAY_S
        return None
    if stamps.kind != "elapsed":
        return None
    highest = float(earlier.max())
    units = {stamps.step, 1e-3 if stamps.unit == "ms" else stamps.step}
    for modulus in (65536.0, 4294967296.0):
        for unit in sorted(units):
            span = modulus * unit
            wrapped_before = before % span if highest > span else before
            lost = step + span * np.floor(before / span) + span if highest > span else step + span
            if (
                before
                and wrapped_before > 0.9 * span - near
                and 0 <= after < 0.1 * span + near
                and (-1e-9 <= after + span - wrapped_before <= near)
            ):
                return float(round((lost - step) / unit) * unit)
    return None


def spread(seconds: Floats) -> Floats:
    """Strictly increasing times from one session's stamps, 0 at the first row.

    Equal stamps of a coarse clock are spread evenly up to the next stamp; a row out of order
    takes its place between its neighbours; a clock set back goes on from where it stood.
    """
    t: Floats = seconds - seconds[0]
    if len(t) < 2 or np.all(np.diff(t) > 0):
        return t
    t = _set_back(t)
    top = np.maximum.accumulate(t)
    fresh = np.concatenate(([True], t[1:] > top[:-1]))
    begin = np.flatnonzero(fresh)
    sizes = np.diff(np.append(begin, len(t)))
    stamps = top[begin]
    steps = np.diff(stamps)
    usual = float(np.median(steps)) if len(steps) else 1.0
    # Per row: a stamp's rows share the time up to the next one, but a gap is nobody's.
    room = np.append(np.where(steps > 2 * usual, usual, steps), usual)
    per_row = room / sizes
    typical = float(np.median(per_row))
    if sizes[-1] > 0:
        per_row[-1] = min(per_row[-1], typical)
    place = np.arange(len(t)) - np.repeat(begin, sizes)
    out: Floats = np.repeat(stamps, sizes) + place * np.repeat(per_row, sizes)
    if len(sizes) > 2 and sizes[0] < sizes[1]:
        # The log began in the middle of its first tick.
        out[: sizes[0]] = stamps[1] - typical * np.arange(sizes[0], 0, -1)
    out -= out[0]
    if not np.all(np.diff(out) > 0):
        out = _nudged(out)
    return out


def _set_back(t: Floats) -> Floats:
    step = usual_step(t)
    t = t.copy()
    for row in np.flatnonzero(np.diff(t) < 0) + 1:
        ahead = t[row : row + RECOVER_ROWS + 1]
        if len(ahead) and ahead.max() <= t[row - 1] and t[row] < t[row - 1]:
            t[row:] += t[row - 1] - t[row] + step
    return t


def _nudged(t: Floats) -> Floats:
    least = 1e-6 * np.arange(len(t))
    out: Floats = np.maximum.accumulate(t - least) + least
    return out


def gaps_of(time: Floats, floor_s: float, times_usual: float) -> list[tuple[float, float]]:
    """Stretches without a row: `floor_s`, or so many usual intervals if that is longer."""
    steps = np.diff(time)
    if not len(steps):
        return []
    limit = max(floor_s, times_usual * float(np.median(steps)))
    return [(round(float(time[i]), 6), round(float(time[i + 1]), 6))
            for i in np.flatnonzero(steps >= limit)]  # fmt: skip


def pieces(axis: Axis) -> Sequence[tuple[int, int, Cut | None]]:
    """First and last row (exclusive) of every session and the cut that began it."""
    edges: list[Cut | None] = [None, *axis.cuts]
    starts = [0, *(cut.row for cut in axis.cuts)]
    ends = [*starts[1:], len(axis.seconds)]
    return list(zip(starts, ends, edges, strict=True))
