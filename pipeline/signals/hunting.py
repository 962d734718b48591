"""Swings of idle speed: alternating excursions of a slow course, and who leads whom."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.signals import segments
from pipeline.signals.smoothing import moving_mean

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

#: s over which the speed is averaged to look for swings, and the share of a period once that is
#: known: a rough cylinder (5-10 Hz at idle) must not look like a swing, a quick one must not be
#: flattened.
SMOOTH_S, SMOOTH_SHARE, SMOOTH_LEAST_S = 0.3, 1.0 / 6.0, 0.1
#: Of the limit: excursions from here on are followed, so that a swing close to it stays whole.
FOLLOWED = 0.5
#: Of the limit: the smaller side of a swing has to reach this, and the two together the limit.
#: A load that is switched on again and again makes dips, a hunting idle goes both ways.
SMALLER_SIDE = 0.92
#: Longest period over shortest in a swing of three: hunting keeps its pace, a driver does not.
REGULAR = 2.0
#: The smallest of three periods over the greatest: below this a blip or a load rings out, or a new
#: one meets the last one's ringing.
STAYS = 0.7
#: Mean excursion over the greatest: 0.64 of a sine, 0.5 of a saw-tooth or triangle. Less are
#: single pulses (loads and the control's answer), more are two levels (a load on and off).
FULLNESS = (0.36, 0.8)
#: Correlation of the course with itself a period later: what noise drives (a lumpy cam, a rough
#: cylinder through the air control) forgets its phase, hunting does not: 0.94 and more against 0.7
#: and less. Common practice, no source; few periods repeat themselves by chance more easily.
REPEATS, REPEATS_FEW, FEW_PERIODS = 0.8, 0.9, 5.0
#: Periods may be so much shorter or longer than those of the band, for they are measured; half
#: periods more, for the two sides of a saw-tooth are not alike.
SLACK, HALF_SLACK = 1.15, 1.6
#: Standard deviations of the noise by which the greatest of the few rows at a top exceeds it.
NOISE_AT_TOP = 0.8


@dataclass(frozen=True)
class Swing:
    """One episode: begin and end in s, periods counted, frequency, half the swing in rpm.

    smaller_rpm: the swing to the smaller side of the middle.
    """

    start_s: float
    end_s: float
    periods: float
    frequency_hz: float
    amplitude_rpm: float
    smaller_rpm: float


@dataclass(frozen=True)
class _Excursions:
    """Alternating excursions (k,): centre in s, first and last row, greatest distance in rpm."""

    moment: FloatArray
    first: IntArray
    last: IntArray
    size: FloatArray


def middle_course(time_s: FloatArray, values: FloatArray, seconds: float) -> FloatArray:
    """Moving mean (n,) over whole windows only; at the ends that of the nearest whole one.

    A window cut short at an end would hold a part of a swing and follow it.
    """
    begin, end = time_s[0] + 0.5 * seconds, time_s[-1] - 0.5 * seconds
    if end <= begin:
        return np.full(time_s.size, values.mean())
    mean = moving_mean(time_s, values, seconds=seconds)
    whole = np.flatnonzero((time_s >= begin) & (time_s <= end))
    if whole.size == 0:
        return np.full(time_s.size, values.mean())
    return np.asarray(mean[np.clip(np.arange(time_s.size), whole[0], whole[-1])])


def swings(
    time_s: FloatArray,
    speed_rpm: FloatArray,
    *,
    least_rpm: float,
    low_hz: float,
    high_hz: float,
    least_periods: float,
) -> list[Swing]:
    """Episodes in which the speed of one stretch (n,) swings more than ``least_rpm`` either way.

    Excursions beyond a part of the limit have to alternate at a pace of ``low_hz`` to ``high_hz``
    about a middle: first a mean over the longest period, then over the swing's own. Over
    ``least_periods`` the mean excursion has to reach the limit and must not die away; the longest
    period must not exceed the shortest by more than REGULAR, and the course has to repeat itself.
    """
    if time_s.size < 8 or time_s[-1] - time_s[0] < least_periods / high_hz:
        return []
    smooth = moving_mean(time_s, speed_rpm, seconds=SMOOTH_S)
    away = smooth - middle_course(time_s, smooth, 1.0 / low_hz)
    need = round(2 * least_periods)
    found = []
    for rows, period in _paced(time_s, away, FOLLOWED * least_rpm, low_hz, high_hz, need):
        # The swing's own period on either side: a mean over it leaves nothing of the swing.
        a = int(np.searchsorted(time_s, time_s[rows.start] - period))
        b = int(np.searchsorted(time_s, time_s[rows.stop - 1] + period))
        t, y = time_s[a:b], speed_rpm[a:b]
        width = float(np.clip(SMOOTH_SHARE * period, SMOOTH_LEAST_S, SMOOTH_S))
        mean = moving_mean(t, y, seconds=width)
        own = mean - middle_course(t, y, period)
        found += _sustained(t, own, y - mean, width, least_rpm=least_rpm, low_hz=low_hz,
                            high_hz=high_hz, need=need)  # fmt: skip
    return found


def _excursions(time_s: FloatArray, away: FloatArray, limit: float) -> _Excursions:
    side = np.where(away > limit, 1, np.where(away < -limit, -1, 0))
    beyond = np.flatnonzero(side)
    if beyond.size == 0:
        none = np.zeros(0, dtype=np.int64)
        return _Excursions(np.zeros(0), none, none, np.zeros(0))
    first = np.flatnonzero(np.concatenate([[True], np.diff(side[beyond]) != 0]))
    last = np.append(first[1:], beyond.size) - 1
    return _Excursions(
        moment=0.5 * (time_s[beyond[first]] + time_s[beyond[last]]),
        first=beyond[first], last=beyond[last],
        size=np.maximum.reduceat(np.abs(away[beyond]), first),
    )  # fmt: skip


def _paced(
    time_s: FloatArray, away: FloatArray, limit: float, low_hz: float, high_hz: float, need: int
) -> list[tuple[slice, float]]:
    """Rows and median period of runs of at least ``need`` excursions at a pace of the band."""
    out = _excursions(time_s, away, limit)
    half = np.diff(out.moment)
    fits = (half > 0.5 / high_hz / HALF_SLACK) & (half < 0.5 / low_hz * HALF_SLACK)
    return [
        (slice(int(out.first[a]), int(out.last[b]) + 1), _period(half[a:b]))
        for a, b in zip(*segments.runs(fits), strict=True)
        if b - a >= need - 1
    ]


def _sustained(
    time_s: FloatArray, away: FloatArray, noise: FloatArray, width_s: float, *, least_rpm: float,
    low_hz: float, high_hz: float, need: int,
) -> list[Swing]:  # fmt: skip
    """Swings among the excursions of one paced run: large, lasting, regular, and no pulses."""
    out = _excursions(time_s, away, FOLLOWED * least_rpm)
    half = np.diff(out.moment)
    if half.size < need - 1:
        return []
    step = (time_s[-1] - time_s[0]) / (time_s.size - 1)
    count = 1.0 + 2.0 * np.floor(0.5 * width_s / step)  # rows in a mean
    scatter = float(np.std(noise)) / np.sqrt(max(count - 1.0, 1.0))
    size = (out.size - NOISE_AT_TOP * scatter) / _kept(0.5 * _period(half), count, step)
    total = np.concatenate([[0.0], np.cumsum(np.abs(away))])
    windows = np.lib.stride_tricks.sliding_window_view
    sizes, halves = windows(size, need), windows(half, need - 1)
    pairs = halves[:, :-1] + halves[:, 1:]
    one, other = sizes[:, ::2].mean(axis=1), sizes[:, 1::2].mean(axis=1)
    rows = out.last[need - 1 :] + 1 - out.first[: out.first.size - need + 1]
    mean = (total[out.last[need - 1 :] + 1] - total[out.first[: rows.size]]) / rows
    fullness = mean / windows(out.size, need).mean(axis=1)
    good = (pairs > 1.0 / high_hz / SLACK).all(axis=1)
    good &= (pairs < 1.0 / low_hz * SLACK).all(axis=1)
    good &= 0.5 * (one + other) > least_rpm
    good &= np.minimum(one, other) > SMALLER_SIDE * least_rpm
    in_turn = windows(0.5 * (size[:-1] + size[1:]), need - 1)[:, ::2]
    good &= in_turn.min(axis=1) > STAYS * in_turn.max(axis=1)
    good &= pairs.max(axis=1) < REGULAR * pairs.min(axis=1)
    good &= (fullness > FULLNESS[0]) & (fullness < FULLNESS[1])
    found = []
    for a, b in zip(*segments.runs(good), strict=True):
        # Windows a to b - 1 are good: excursions a to b + need - 2.
        part = slice(a, b + need - 1)
        last = part.stop - 1
        period = _period(half[a:last])
        span = slice(int(out.first[a]), int(out.last[last]) + 1)
        again = repeats(time_s[span], away[span], period)
        periods = float(last - a + 1) / 2.0
        if again < (REPEATS if periods >= FEW_PERIODS else REPEATS_FEW):
            continue
        found.append(Swing(
            start_s=float(time_s[span.start]), end_s=float(time_s[span.stop - 1]),
            periods=periods, frequency_hz=1.0 / period,
            amplitude_rpm=float(size[part].mean()),
            smaller_rpm=float(min(size[part][::2].mean(), size[part][1::2].mean())),
        ))  # fmt: skip
    return found


def _period(half_s: FloatArray) -> float:
    """Median over pairs of half periods (k,), k > 1: up and down may take different times."""
    return float(np.median(half_s[:-1] + half_s[1:]))


def repeats(time_s: FloatArray, away: FloatArray, period_s: float) -> float:
    """Correlation of a course (n,) with itself one period later, at the best of near lags."""
    best = 0.0
    for lag in period_s * np.linspace(0.88, 1.12, 7):
        early = time_s <= time_s[-1] - lag
        if early.sum() < 6:
            continue
        x, y = away[early], np.interp(time_s[early] + lag, time_s, away)
        norm = float(np.sqrt((x @ x) * (y @ y)))
        best = max(best, float(x @ y) / norm if norm > 0 else 0.0)
    return best


def _kept(half_s: float, count: float, step_s: float) -> float:
    """Share of an excursion that a mean over ``count`` rows ``step_s`` apart leaves of it.

    Between that of a sine (sinc) and that of a triangle (1 - w / T), and the rows beside its top.
    """
    share = step_s * np.sqrt(count * count - 1.0) / (2.0 * half_s)
    mean = 0.5 * (np.sinc(share) + max(0.0, 1.0 - share))
    return float(np.clip(mean * np.sinc(0.5 * step_s / half_s), 0.5, 1.0))


def coherent(time_s: FloatArray, values: FloatArray, frequency_hz: float) -> NDArray[np.complex128]:
    """Complex demodulate of ``values`` (n,) at a frequency: shape (4,), by quarters of the time.

    Least squares of sine, cosine, constant and slope in each quarter.
    """
    out = []
    for part in np.array_split(np.arange(time_s.size), 4):
        t = time_s[part]
        design = np.stack([np.cos(2 * np.pi * frequency_hz * t),
                           np.sin(2 * np.pi * frequency_hz * t),
                           np.ones(t.size), t - t.mean()], axis=1)  # fmt: skip
        good = np.isfinite(values[part])
        if good.sum() < 6:
            out.append(0j)
            continue
        c = np.linalg.lstsq(design[good], values[part][good], rcond=None)[0]
        out.append(complex(c[0], -c[1]))
    return np.array(out)


def relation(
    time_s: FloatArray, leader: FloatArray, follower: FloatArray, frequency_hz: float
) -> tuple[float, float, float]:
    """How ``leader`` and ``follower`` (n,) move together at a frequency.

    Returns (coherence 0-1 over quarters, phase by which the leader is ahead in degrees -180..180,
    amplitude of the leader). Source: cross-spectrum by complex demodulation (standard).
    """
    a, b = coherent(time_s, leader, frequency_hz), coherent(time_s, follower, frequency_hz)
    cross = a * np.conj(b)
    norm = np.sqrt((np.abs(a) ** 2).sum() * (np.abs(b) ** 2).sum())
    if norm <= 0:
        return 0.0, 0.0, 0.0
    total = cross.sum()
    return (float(np.abs(total) / norm), float(np.degrees(np.angle(total))),
            float(np.sqrt(np.mean(np.abs(a) ** 2))))  # fmt: skip
