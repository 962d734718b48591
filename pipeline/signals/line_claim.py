"""How often a cylinder has to miss for its line to be found in a log: the claim of the lines.

A cylinder that misses a share p of its firings draws p of a dead one's line; its misses come at
random, so they scatter as well and raise the floor that the line has to stand above.
"""

from collections.abc import Sequence

import numpy as np
from scipy.special import chndtr, fdtri

from pipeline.signals.misfire import LEAST_LINE_SHARE, ClassResult
from pipeline.signals.order_tracking import NEIGHBOURS

#: Shares that are tried. Below the first the line of one cylinder is like that of a healthy engine.
SHARES = np.arange(0.2, 1.001, 0.05)
#: Size of the line over the expected one that the claim holds for (inertia and work are known to a
#: factor of two): as for single misses.
SIZE = 0.75
#: Windows and orders that are tried for each class, at most: their chances are added up.
TESTS = 6


def line_power(part: ClassResult, share: float, alpha: float, *, least: float) -> float:
    """Probability that the line of a cylinder missing ``share`` exceeds its test at ``alpha``.

    0 where it stays below ``least`` or the scatter it makes itself. Source: power of the F test by
    the noncentral chi square; variance p (1 - p) of a Bernoulli firing, one cylinder of n.
    """
    line = SIZE * share
    if line < max(least, scatter_with(part, share)):
        return 0.0
    cells = part.floor_cells
    floor = part.line_floor * scatter_with(part, share) / max(part.scatter, 1e-9)
    bar = float(fdtri(2 * cells, 2 * cells * len(NEIGHBOURS), 1.0 - alpha / TESTS))
    signal = 2.0 * cells * (line / max(floor, 1e-9)) ** 2
    return 1.0 - float(chndtr(2.0 * cells * bar, 2.0 * cells, signal))


def scatter_with(part: ClassResult, share: float) -> float:
    """Scatter of one firing once a cylinder misses ``share``."""
    cylinders = (part.line_least / LEAST_LINE_SHARE) ** 2
    return float(np.hypot(part.scatter, SIZE * np.sqrt(share * (1.0 - share) / cylinders)))


def claim(powers: Sequence[float], wanted: float) -> float | None:
    """Smallest of SHARES from which on all have the wanted power; None where there is none."""
    enough = np.asarray(powers) >= wanted
    if not enough[-1]:
        return None
    low = np.flatnonzero(~enough)
    return float(SHARES[low[-1] + 1 if low.size else 0])
