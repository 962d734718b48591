"""Share of one cylinder's firings that fail, with its interval, from what a look for misses saw.

Rare misses are counted: single pulses, less those that chance makes, over the cycles in which
they would have stood out. Misses that crowd run into each other, and the lopsided noise or the
cylinder's line tells more of them.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from pipeline.signals.matched_filter import LEVELS
from pipeline.signals.misfire import ClassResult

FloatArray = NDArray[np.float64]

#: The expected fall of one miss is known to this share of itself (inertia and work, see
#: miss_likelihood.SIZES), and the heights of k pulses tell it to so many deviations over root k.
SIZE_KNOWN, HEIGHT_SD = 0.35, 1.3
#: Heights that hardly clear the level tell less of their middle: their error times these factors,
#: where it lies below the level and less than a deviation above.
BELOW, NEAR = 3.0, 1.5
#: s: a second miss within this is not counted by itself (dead time of a counter that goes on
#: counting, Knoll, Radiation Detection and Measurement, from memory: n = m / (1 - m t)), and the
#: most of the time that is taken to be dead. Half of it would be the peak's own width; twice as
#: much overstates one miss in ten (360 logs of 12 engines at 8-50 Hz).
DEAD_S, MOST_DEAD = 0.2, 0.66
#: Scatter of the part of misses that is counted, as a logarithm: from the same logs, whose truth
#: lies within the interval in 96 of 100.
PART_SD = 0.35
#: No smaller part of the misses is taken to clear the level: what was counted says too little then.
LEAST_CLEAR = 0.2
#: From so many counted misses in half a second on they crowd (at 0.4 the interval of one miss in
#: four held the truth in 60 of 100 logs, at this in 89).
CROWD_S, CROWD = 0.5, 0.2
#: Factors by which a line's share is known (inertia, work), and lopsided noise's to below: the
#: noise of other firings is taken for misses there.
LINE_KNOWN, SKEW_LOW = 2.0, 3.0
#: Offsets of a Gaussian's middle from the level, for its median above the level.
_MIDDLE = np.linspace(-4.0, 6.0, 201)
_MEDIAN = _MIDDLE + ndtri(1.0 - 0.5 * ndtr(_MIDDLE))


def share_of(
    classes: Sequence[ClassResult], *, by_pulse: bool, line: float, skew: float
) -> tuple[float, float, float]:
    """Share and its 95 % interval, all 0 to 1.

    by_pulse: whether single misses were found; line, skew: shares that a line and lopsided noise
    stand for, 0 where they do not speak.
    """
    rough = max(line, skew)
    counted, low, high, part = _counted(classes) if by_pulse else (0.0, 0.0, 0.0, 0.0)
    if counted <= 0.0:
        return rough, rough / (LINE_KNOWN if line >= skew else SKEW_LOW), min(1.0, 2.0 * rough)
    if line > 0.0:
        share = max(line, counted)
        return share, min(low, line / LINE_KNOWN), min(1.0, max(high, LINE_KNOWN * line))
    if part > CROWD and skew > counted:
        # One is too low and the other too high, by about as much.
        return float(np.sqrt(counted * skew)), low, min(1.0, max(high, LINE_KNOWN * skew))
    return min(1.0, counted), low, min(1.0, high)


def _counted(classes: Sequence[ClassResult]) -> tuple[float, float, float, float]:
    """Share by single pulses, its interval, and misses in CROWD_S.

    Counted above the level at which they stand out best from those that chance makes.
    """
    best, level, falls, noise = 0.0, LEVELS[-1], 0, 0.0
    for i, at in enumerate(LEVELS):
        down = sum(int((c.pulses.fall_heights > at).sum()) for c in classes)
        up = max(sum(float((c.pulses.rise_heights > at).sum()) for c in classes),
                 sum(float(c.pulses.expected[i]) for c in classes))  # fmt: skip
        clear = (down - up) / np.sqrt(down + up + 1.0)
        if clear > best:
            best, level, falls, noise = clear, at, down, up
    if best <= 0.0:
        return 0.0, 0.0, 0.0, 0.0
    misses = cycles = 0.0
    for c in classes:
        above = c.pulses.fall_heights[c.pulses.fall_heights > level]
        dead = min(MOST_DEAD, above.size / max(c.seconds, 1e-9) * DEAD_S)
        misses += above.size / (1.0 - dead)
        part = float(ndtr(_height(c.pulse_z, above, level) - level))
        cycles += c.cycles * max(LEAST_CLEAR, part)
    share = min(1.0, misses * (1.0 - noise / falls) / max(cycles, 1.0))
    # Counts by the square root (Poisson), the part of misses that is counted by its logarithm.
    root = np.sqrt(falls + 0.375)
    down = np.log(falls / max((root - 0.98) ** 2 - 0.375 - noise, 0.05 * falls))
    up = np.log(((root + 0.98) ** 2 + 0.625) / falls)
    part = 1.96 * PART_SD
    rate = misses / max(sum(c.seconds for c in classes), 1e-9)
    return (share, float(share * np.exp(-np.hypot(down, 0.7 * part))),
            float(share * np.exp(np.hypot(up, part))), rate * CROWD_S)  # fmt: skip


def _height(expected: float, above: FloatArray, level: float) -> float:
    """Deviations a miss stands out by: the expected ones, drawn towards the ones seen.

    What is seen lies ``above`` the level; the middle of a Gaussian cut there follows from the
    median of the rest.
    """
    if above.size < 2:
        return expected
    middle = float(np.interp(np.median(above) - level, _MEDIAN, _MIDDLE))
    factor = BELOW if middle < 0.0 else NEAR if middle < 1.0 else 1.0
    seen = (HEIGHT_SD * factor) ** 2 / above.size
    known = (SIZE_KNOWN * expected) ** 2
    return ((level + middle) / seen + expected / known) / (1.0 / seen + 1.0 / max(known, 1e-9))
