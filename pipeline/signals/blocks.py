"""Blocks of time: which rows lie in which, and what a channel did in each. Pure functions."""

import numpy as np

from pipeline.signals.segments import Bools, Floats, Ints


def blocks_by(time: Floats, seconds: float) -> Ints:
    """Block of ``seconds`` of every row (n,), from the first row on, counted from 0."""
    # A whole-number division of floats takes ten times as long as a division cut off.
    return np.asarray((time - time[0]) / seconds).astype(np.int64)


def by_block(block: Ints, values: Floats, use: Bools) -> tuple[Floats, Floats, Floats]:
    """Mean, standard deviation and count, each (blocks,), of the rows in use; 0 where none is.

    block: (n,) of :func:`blocks_by`; values: (n,), finite in ``use``.
    """
    size = int(block[-1]) + 1
    k, v = block[use], values[use]
    count = np.bincount(k, minlength=size).astype(float)
    safe = np.maximum(count, 1.0)
    mean = np.bincount(k, weights=v, minlength=size) / safe
    square = np.bincount(k, weights=(v - mean[k]) ** 2, minlength=size) / safe
    return mean, np.sqrt(square), count
