"""How evenly an engine idles: irregularity about its own course, and the half order's amplitude."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv

from pipeline.signals.order_tracking import (
    alias_frequency,
    cycle_phase,
    order_lines,
    windows,
)

FloatArray = NDArray[np.float64]

#: s: windows in which the speed is set against its own straight line. Loads that switch and slow
#: hunting move the line, not the figure.
WINDOW_S = 2.0
#: s: windows of the half order's amplitude, as long as a rounded speed keeps its phase.
ORDER_WINDOW_S = 4.0
#: Hz below which a slow rate folds the line down among the idle's own slow wander, which is not
#: level: there it may stand above what lies beside it by so much with no line at all (healthy
#: engines of the bench: 1.2 to 1.9; above 1.5 Hz at most 1.2).
SLOW_HZ, SLOW_FLOOR = 1.5, 1.9
#: Fewest windows that give an interval.
LEAST_WINDOWS = 6


@dataclass(frozen=True)
class IdleQuality:
    """Irregularity in % of the speed, half-order amplitude in rpm, each with a 95 % interval."""

    roughness_pct: float
    roughness_interval: tuple[float | None, float | None]
    half_order_rpm: float | None
    half_order_interval: tuple[float | None, float | None]


def idle_quality(
    time_s: FloatArray, speed_rpm: FloatArray, starts: NDArray[np.bool_]
) -> IdleQuality | None:
    """Irregularity and half-order amplitude of idle readings (m,).

    The irregularity is the median over windows of WINDOW_S of the standard deviation about a
    straight line, as a share of the mean speed; its interval is that of a median by order
    statistics. The amplitude is the root of the mean squared coherent amplitude at half the
    crank's order, less the floor beside it; its interval follows from chi square with two degrees
    of freedom a window.
    """
    first = windows(starts, time_s, WINDOW_S)
    ends = np.append(first[1:], time_s.size)
    count = (ends - first).astype(np.float64)
    group = np.repeat(np.arange(first.size), ends - first)
    mean_t = np.add.reduceat(time_s, first) / count
    mean_y = np.add.reduceat(speed_rpm, first) / count
    t, y = time_s - mean_t[group], speed_rpm - mean_y[group]
    tt = np.add.reduceat(t * t, first)
    slope = np.add.reduceat(t * y, first) / np.maximum(tt, 1e-12)
    flat = y - slope[group] * t
    use = count >= 6
    if not use.any():
        return None
    square = np.add.reduceat(flat * flat, first)[use] / (count[use] - 2)
    share = 100.0 * np.sqrt(square) / mean_y[use]
    low: float | None = None
    high: float | None = None
    if share.size >= LEAST_WINDOWS:
        rank = 0.98 * np.sqrt(share.size)
        ordered = np.sort(share)
        low = float(ordered[max(0, int(np.floor(share.size / 2 - rank)))])
        high = float(ordered[min(share.size - 1, int(np.ceil(share.size / 2 + rank)))])
    half, interval = _half_order(time_s, speed_rpm, flat, starts)
    return IdleQuality(float(np.median(share)), (low, high), half, interval)


def _half_order(
    time_s: FloatArray, speed: FloatArray, flat: FloatArray, starts: NDArray[np.bool_]
) -> tuple[float | None, tuple[float | None, float | None]]:
    first = windows(starts, time_s, ORDER_WINDOW_S)
    lines = order_lines(flat, cycles=cycle_phase(time_s, speed), time_s=time_s, starts=first,
                        halves=[1])  # fmt: skip
    ends = np.append(first[1:], time_s.size)
    mean = np.add.reduceat(speed, first) / (ends - first)
    rate = 1.0 / float(np.median(np.diff(time_s)))
    use = (lines.rows >= 12) & (lines.seconds > 0.5 * ORDER_WINDOW_S)
    seen = alias_frequency(mean / 120.0, rate)
    use &= seen > 1.5 / np.maximum(lines.seconds, 0.5)
    windows_used = int(use.sum())
    if windows_used == 0:
        return None, (None, None)
    power = float(lines.power[0, use].mean())
    floor = float(lines.floor[0, use].mean())
    below = float((lines.floor[0] * np.where(seen < SLOW_HZ, SLOW_FLOOR, 1.0))[use].mean())
    value = float(np.sqrt(max(0.0, power - below)))
    if windows_used < LEAST_WINDOWS:
        return value, (None, None)
    # Power of line and noise together is chi square with 2 a window.
    most = float(gammaincinv(windows_used, 0.975)) / windows_used
    low = power / most
    high = power * windows_used / float(gammaincinv(windows_used, 0.025))
    # Where chance left less than the floor beside it, as much as chance can hide may be there.
    high = max(high, most * floor)
    return value, (float(np.sqrt(max(0.0, low - below))), float(np.sqrt(max(0.0, high - floor))))
