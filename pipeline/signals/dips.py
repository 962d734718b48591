"""Dips of a slow reading: filled, and told from falls that no slow mass can make."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def filled(values: Floats, width: int) -> Floats:
    """Values (n,) with dips shorter than ``width`` samples filled to their lower rim; no NaN.

    The closing of mathematical morphology: the largest in each window, then the smallest of
    those. A curve that only climbs comes back as it is.
    """
    half = width // 2
    view = np.lib.stride_tricks.sliding_window_view
    largest = view(np.pad(values, 2 * half, mode="edge"), 2 * half + 1).max(axis=1)
    smallest: Floats = view(largest, 2 * half + 1).min(axis=1)
    return smallest


def sudden_falls(values: Floats, *, drop: float, within: int) -> Bools:
    """Rows (n,) that lie ``drop`` and more below the highest of the last ``within`` samples.

    NaN counts as no reading: it neither falls nor is fallen from.
    """
    known = np.where(np.isfinite(values), values, -np.inf)
    before = np.pad(known, (within - 1, 0), constant_values=-np.inf)
    top = np.lib.stride_tricks.sliding_window_view(before, within).max(axis=1)
    read = np.isfinite(values)
    fallen: Bools = read & (top - np.where(read, values, 0.0) >= drop)
    return fallen
