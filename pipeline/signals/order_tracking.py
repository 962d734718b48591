"""Order tracking of a logged engine speed: phase, aliases, coherent amplitude, F test.

A four-stroke engine repeats itself every two turns, so a cylinder that does not fire draws lines
at multiples of half the crank's order, rpm/120 Hz and up. A logged speed is sampled at its own,
slightly uneven stamps; the lines are demodulated with the phase that the speed itself gives on
those stamps, never on a grid, so that they are found above the Nyquist rate as well as below.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

#: Neighbouring lines that make up the floor, in steps of twice a window's own resolution. The
#: nearest one is left out: a line smeared by phase drift must not raise its own floor.
NEIGHBOURS = (-4, -3, -2, 2, 3, 4)


def alias_frequency(frequency_hz: ArrayLike, rate_hz: float) -> FloatArray:
    """Frequency at which a line is seen in even sampling: distance to the nearest multiple.

    frequency_hz: any shape, Hz. Source: sampling theorem (definition).
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    return np.abs(f - rate_hz * np.round(f / rate_hz))


def order_frequency(speed_rpm: ArrayLike, order: float) -> FloatArray:
    """Frequency of a crank order at a speed: order * rpm / 60, Hz (definition)."""
    return np.asarray(speed_rpm, dtype=np.float64) * order / 60.0


def distinguishable_orders(
    *, speed_rpm: float, cylinders: int, rate_hz: float, resolution_hz: float
) -> dict[float, str]:
    """Crank orders from a half to half the cylinder count, each with "" or why it is blind.

    A line is blind where its alias falls on zero, and where it falls on that of the firing order,
    which every healthy engine has. ``resolution_hz`` is how close is too close.
    """
    out: dict[float, str] = {}
    firing = float(alias_frequency(order_frequency(speed_rpm, cylinders / 2.0), rate_hz))
    for half in range(1, cylinders + 1):
        seen = float(alias_frequency(order_frequency(speed_rpm, half / 2.0), rate_hz))
        if seen < resolution_hz:
            out[half / 2.0] = "falls on a multiple of the log's rate"
        elif half < cylinders and abs(seen - firing) < resolution_hz:
            out[half / 2.0] = "falls on the firing order"
        else:
            out[half / 2.0] = ""
    return out


def cycle_phase(time_s: FloatArray, speed_rpm: FloatArray) -> FloatArray:
    """Engine cycles (two turns) done since the first row, by the trapezoid rule on the stamps.

    time_s, speed_rpm: (n,), finite. Returns (n,).
    """
    rate = speed_rpm / 120.0
    steps = np.diff(time_s) * 0.5 * (rate[1:] + rate[:-1])
    return np.concatenate([[0.0], np.cumsum(steps)])


def windows(starts: BoolArray, time_s: FloatArray, length_s: float) -> IntArray:
    """Row numbers where windows of about ``length_s`` begin; never across a True in ``starts``.

    starts: (n,), True at the first row of a stretch. Each stretch is cut into equal parts.
    """
    heads = np.flatnonzero(starts)
    ends = np.append(heads[1:], starts.size)
    spans = time_s[ends - 1] - time_s[heads]
    counts = np.maximum(1, np.round(spans / length_s).astype(np.int64))
    rows = np.arange(starts.size)
    stretch = np.cumsum(starts) - 1
    position = (rows - heads[stretch]) * counts[stretch] // np.maximum(1, (ends - heads)[stretch])
    change = np.empty(starts.size, dtype=bool)
    change[0] = True
    change[1:] = (np.diff(position) != 0) | starts[1:]
    return np.flatnonzero(change)


@dataclass(frozen=True)
class Lines:
    """Power of lines and of their floor, by order and window.

    power, floor: (orders, windows), amplitude squared in the values' unit; floor is the mean over
    the neighbours. rows, seconds, speed: (windows,). neighbours: how many make up the floor.
    """

    power: FloatArray
    floor: FloatArray
    rows: FloatArray
    seconds: FloatArray
    starts: IntArray
    neighbours: int


def order_lines(
    values: FloatArray,
    *,
    cycles: FloatArray,
    time_s: FloatArray,
    starts: IntArray,
    halves: Sequence[int],
    neighbours: Sequence[int] = NEIGHBOURS,
) -> Lines:
    """Demodulate ``values`` (n,) at the given half orders in each window.

    cycles: (n,) phase in engine cycles; starts: first row of each window; halves: order times 2.
    The amplitude of ``a cos(2 pi h cycles)`` comes out as a squared. Source: least-squares
    spectral estimate on uneven samples in its plain form (Lomb 1976, Scargle 1982), the
    cross term left out because a window holds many periods.
    """
    ends = np.append(starts[1:], values.size)
    count = (ends - starts).astype(np.float64)
    seconds = time_s[ends - 1] - time_s[starts]
    step = 2.0 / np.maximum(seconds, 1e-9)
    local = np.repeat(step, ends - starts) * (time_s - np.repeat(time_s[starts], ends - starts))
    shift = np.exp(-2j * np.pi * local)
    powers: dict[int, NDArray[np.complex128]] = {}
    base = np.exp(-2j * np.pi * cycles)
    shifts = {1: shift}
    for j in range(2, max(abs(j) for j in neighbours) + 1):
        shifts[j] = shifts[j - 1] * shift
    power = np.empty((len(halves), starts.size))
    floor = np.zeros_like(power)
    current = np.ones(1, dtype=np.complex128)
    for h in range(1, max(halves) + 1):
        current = current * base
        if h in halves:
            powers[h] = values * current
    scale = (2.0 / count) ** 2
    for i, h in enumerate(halves):
        line = powers[h]
        power[i] = np.abs(np.add.reduceat(line, starts)) ** 2 * scale
        for j in neighbours:
            turn = shifts[abs(j)] if j > 0 else np.conj(shifts[abs(j)])
            floor[i] += np.abs(np.add.reduceat(line * turn, starts)) ** 2 * scale
    return Lines(power, floor / len(neighbours), count, seconds, starts, len(neighbours))


def f_tail(ratio: float, numerator: float, denominator: float) -> float:
    """P(F > ratio) of the F distribution with these degrees of freedom.

    Source: the regularised incomplete beta function, NIST DLMF 8.17, as F relates to it.
    """
    if not np.isfinite(ratio) or ratio <= 0:
        return 1.0
    return float(
        betainc(denominator / 2, numerator / 2, denominator / (denominator + numerator * ratio))
    )


def line_test(lines: Lines, use: BoolArray) -> tuple[float, float]:
    """F test of the lines against their floors, summed over the (orders, windows) in ``use``.

    Windows are added without their phases (they drift apart); each is weighted by its own floor's
    inverse through its class' noise beforehand, so values should have one variance. Returns
    (ratio, p). With Gaussian noise power and floor are chi square with 2 and 2*neighbours.
    """
    cells = int(use.sum())
    if cells == 0:
        return 0.0, 1.0
    ratio = float(lines.power[use].sum() / max(lines.floor[use].sum(), 1e-300))
    return ratio, f_tail(ratio, 2.0 * cells, 2.0 * cells * lines.neighbours)
