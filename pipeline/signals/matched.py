"""Two sessions compared where both were: cell means, their differences, a block bootstrap."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Blocks:
    """Seconds and weighted sums of a value per block of time and cell, both (blocks, cells)."""

    seconds: Floats
    sums: Floats


@dataclass(frozen=True, eq=False)
class Difference:
    """Second minus first over the cells both visited, with a bootstrap interval.

    ``cells``: indices (k,) of those cells; ``by_cell``: their differences; ``weight``: seconds
    each counts with (the smaller of both).
    """

    value: float
    low: float
    high: float
    cells: Ints
    by_cell: Floats
    weight: Floats


def block_sums(
    block: Ints, cell: Ints, seconds: Floats, value: Floats, blocks: int, cells: int
) -> Blocks:
    """Sum rows into blocks and cells. All inputs (n,); rows with a cell < 0 are left out."""
    use = (cell >= 0) & np.isfinite(value)
    index = block[use] * cells + cell[use]
    size = blocks * cells
    weight = np.bincount(index, seconds[use], size).astype(np.float64)
    sums = np.bincount(index, (seconds * value)[use], size).astype(np.float64)
    return Blocks(weight.reshape(blocks, cells), sums.reshape(blocks, cells))


def matched_difference(
    first: Blocks,
    second: Blocks,
    *,
    least_seconds: float,
    confidence: float,
    draws: int,
    seed: int,
) -> Difference | None:
    """Mean difference over shared cells, each weighted by the smaller of both times.

    Whole blocks are drawn with replacement, so that the correlation within a block widens the
    interval (block bootstrap: Künsch 1989, Ann. Stat. 17:1217). None where no cell has
    ``least_seconds`` in both.
    """
    time_a, time_b = first.seconds.sum(axis=0), second.seconds.sum(axis=0)
    shared = np.flatnonzero(np.minimum(time_a, time_b) >= least_seconds)
    if shared.size == 0:
        return None
    weight = np.minimum(time_a, time_b)[shared]
    by_cell = (second.sums.sum(axis=0) / np.maximum(time_b, 1e-12))[shared] - (
        first.sums.sum(axis=0) / np.maximum(time_a, 1e-12)
    )[shared]
    value = float(np.average(by_cell, weights=weight))
    random = np.random.default_rng(seed)
    means = []
    for part in (first, second):
        count = part.seconds.shape[0]
        picks = random.multinomial(count, np.full(count, 1.0 / count), size=draws)
        seconds = picks @ part.seconds[:, shared]
        with np.errstate(all="ignore"):
            means.append((picks @ part.sums[:, shared]) / seconds)
    gap = means[1] - means[0]
    there = np.isfinite(gap)
    drawn = np.sum(np.where(there, gap, 0.0) * weight, axis=1) / np.maximum(
        np.sum(there * weight, axis=1), 1e-12
    )
    tail = 0.5 * (1.0 - confidence)
    low, high = np.quantile(drawn, [tail, 1.0 - tail])
    # Basic bootstrap: the draws' spread is laid round the estimate.
    return Difference(
        value=value,
        low=float(2 * value - high),
        high=float(2 * value - low),
        cells=shared.astype(np.int64),
        by_cell=by_cell,
        weight=weight,
    )
