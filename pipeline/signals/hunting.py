"""Swings of idle speed: alternating excursions of a slow course, and who leads whom."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: s over which the speed is averaged first: a rough cylinder must not look like a swing.
SMOOTH_S = 0.3
#: Longest period over shortest of one episode: hunting keeps its pace, a driver does not.
REGULAR = 3.0
#: Of the limit: the amplitude of the whole episode, as of a sine with the same scatter.
SINE_SHARE = 0.8


@dataclass(frozen=True)
class Swing:
    """One episode: begin and end in s, periods counted, frequency, half the swing in rpm."""

    start_s: float
    end_s: float
    periods: float
    frequency_hz: float
    amplitude_rpm: float


def moving_mean(time_s: FloatArray, values: FloatArray, seconds: float) -> FloatArray:
    """Mean (n,) over the rows within half of ``seconds`` on either side."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    low = np.searchsorted(time_s, time_s - 0.5 * seconds)
    high = np.searchsorted(time_s, time_s + 0.5 * seconds, side="right")
    return np.asarray((total[high] - total[low]) / (high - low))


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

    The middle is a moving mean over the longest period; excursions beyond the limit have to
    alternate in time with half periods between those of ``high_hz`` and ``low_hz``.
    """
    if time_s.size < 8 or time_s[-1] - time_s[0] < least_periods / high_hz:
        return []
    smooth = moving_mean(time_s, speed_rpm, SMOOTH_S)
    middle = moving_mean(time_s, smooth, 1.0 / low_hz)
    away = smooth - middle
    side = np.where(away > least_rpm, 1, np.where(away < -least_rpm, -1, 0))
    beyond = np.flatnonzero(side)
    if beyond.size == 0:
        return []
    first = np.flatnonzero(np.concatenate([[True], np.diff(side[beyond]) != 0]))
    # Moment of each excursion: the middle of the rows beyond the limit on that side.
    last = np.append(first[1:], beyond.size) - 1
    moment = 0.5 * (time_s[beyond[first]] + time_s[beyond[last]])
    half = np.diff(moment)
    fits = (half > 0.5 / high_hz) & (half < 0.5 / low_hz)
    edges = np.diff(np.concatenate([[0], fits.astype(np.int8), [0]]))
    found = []
    for a, b in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        if b - a < 2 * least_periods - 1:
            continue
        pairs = half[a : b - 1] + half[a + 1 : b]
        if np.quantile(pairs, 0.9) > REGULAR * np.quantile(pairs, 0.1):
            continue
        rows = slice(int(beyond[first[a]]), int(beyond[last[b]]) + 1)
        swing = away[rows]
        if np.sqrt(2.0) * np.std(swing) < SINE_SHARE * least_rpm:
            continue
        period = float(np.median(pairs))
        found.append(Swing(
            start_s=float(time_s[rows.start]), end_s=float(time_s[rows.stop - 1]),
            periods=float(b - a + 1) / 2.0, frequency_hz=1.0 / period,
            amplitude_rpm=float(np.sqrt(2.0) * np.std(swing)),
        ))  # fmt: skip
    return found


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
