"""What a column of a log really holds: how often it is renewed, and whether its rows are in order.

A value repeated between updates is not a new sample, and a log whose rows were shuffled within
each second has samples but no time.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Gaps between changes are compared at this quantile: a quantised but live value often changes
#: from one row to the next, one that is held for k rows never within fewer than k.
HOLD_QUANTILE = 0.05
#: Fewest changes that say anything about holding.
LEAST_CHANGES = 8
#: Rows of one second are exchangeable unless the squares of their serial correlations at these
#: lags, in deviations of chance, add up to more than this (chi square of 5, tail 5e-4; measured on
#: shuffled rows of idle: 19 at 1e-3), and they are no smaller than this. One lag is not enough: a
#: line that the rate folds to a quarter of it has no correlation with its neighbour.
ORDER_LAGS = 5
ORDER_SQUARES = 22.0
ORDER_CORRELATION = 0.05


def held_rows(values: FloatArray) -> int:
    """Rows for which each value is held between updates, 1 where every row is a new reading.

    values: (n,), finite.
    """
    changes = np.flatnonzero(np.diff(values) != 0) + 1
    if changes.size < LEAST_CHANGES:
        return 1 if changes.size == 0 else max(1, int(values.size / (changes.size + 1)))
    gaps = np.diff(changes)
    return max(1, int(np.quantile(gaps, HOLD_QUANTILE, method="higher")))


def update_rows(values: FloatArray, held: int) -> BoolArray:
    """Rows (n,) that hold a new reading: where it changed, and every ``held`` rows after that.

    values: (n,), finite. With ``held`` 1 every row counts.
    """
    if held <= 1:
        return np.ones(values.size, dtype=bool)
    changed = np.concatenate([[True], np.diff(values) != 0])
    rows = np.arange(values.size)
    last = np.maximum.accumulate(np.where(changed, rows, 0))
    return np.asarray(changed | ((rows - last) % held == 0), dtype=bool)


def serial_order(
    time_s: FloatArray, values: FloatArray, lags: Sequence[int] = (1,)
) -> tuple[FloatArray, FloatArray]:
    """Serial correlation of rows ``lags`` (k,) apart within whole seconds, beyond shuffled rows'.

    time_s, values: (n,). Values are centred within each second; in a second of m rows any two
    shuffled rows have an expected product of -S / (m (m - 1)), S the sum of squares, the rest is
    order. Returns (correlations, standard deviations over chance), each (k,). Source: serial
    correlation under permutation, Wald and Wolfowitz 1943.
    """
    second = np.floor(time_s).astype(np.int64)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(second) != 0]))
    count = np.diff(np.append(starts, values.size)).astype(np.float64)
    mean = np.add.reduceat(values, starts) / count
    group = np.repeat(np.arange(starts.size), count.astype(np.int64))
    centred = values - mean[group]
    square = np.add.reduceat(centred * centred, starts)
    correlation, sigma = np.zeros(len(lags)), np.zeros(len(lags))
    for k, lag in enumerate(lags):
        same = group[lag:] == group[:-lag]
        product = np.zeros(values.size)
        product[: values.size - lag] = np.where(same, centred[lag:] * centred[:-lag], 0.0)
        together = np.add.reduceat(product, starts)
        use = (count >= max(4, lag + 2)) & (square > 0)
        if not use.any():
            continue
        rows = count[use]
        # Each second counts alike: one with a great ramp must not outvote the rest.
        pairs = (rows - lag) / rows
        relative = together[use] / square[use] + pairs / (rows - 1.0)
        correlation[k] = (relative / pairs).mean()
        sigma[k] = correlation[k] * np.sqrt(rows.mean() * rows.size * pairs.mean())
    return correlation, sigma


def in_order(time_s: FloatArray, values: FloatArray) -> bool:
    """Tell whether the rows of a second carry their order (False: shuffled, or too coarse)."""
    if values.size <= ORDER_LAGS:
        return False
    correlation, sigma = serial_order(time_s, values, range(1, ORDER_LAGS + 1))
    return bool(np.abs(correlation).max() > ORDER_CORRELATION and (sigma**2).sum() > ORDER_SQUARES)


def quantisation_step(values: FloatArray) -> float:
    """Smallest common step of a logged column, 0 where the readings are finer than can be told.

    values: (n,), finite. The 5 % quantile of the non-zero differences: single odd readings
    (a sum of two roundings) do not set it.
    """
    difference = np.abs(np.diff(values))
    difference = difference[difference > 1e-9]
    if difference.size < LEAST_CHANGES:
        return float(difference.min()) if difference.size else 0.0
    return float(np.quantile(difference, 0.05, method="lower"))
