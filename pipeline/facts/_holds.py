"""How long a channel repeats one value, in the log's own time."""

import numpy as np
from numpy.typing import NDArray

from pipeline.signals.segments import Floats

Ints = NDArray[np.intp]


def logged_s(time: Floats) -> Floats:
    """Seconds (n,) of log up to each row: nothing is held where no row was written."""
    step = np.diff(time, prepend=time[:1])
    usual = max(1.0, 3.0 * float(np.median(step))) if step.size else 1.0
    return np.cumsum(np.minimum(step, usual))


def holds(logged: Floats, x: Floats) -> tuple[Ints, Ints, Floats]:
    """First row, last row and duration (s) of every stretch of one repeated value.

    logged (n,): of :func:`logged_s`.
    """
    rows = np.flatnonzero(np.isfinite(x))
    if not rows.size:
        return rows, rows, np.zeros(0)
    y = x[rows]
    starts = np.concatenate([[0], np.flatnonzero(np.diff(y) != 0.0) + 1])
    ends = np.concatenate([starts[1:], [y.size]]) - 1
    first, last = rows[starts], rows[ends]
    return first, last, logged[last] - logged[first]
