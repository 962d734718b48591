"""First-order lags on uneven time stamps: apply, undo, and look back by a varying delay."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import solve_banded

Floats = NDArray[np.float64]

#: Steps longer than this many time constants start afresh: exp(-12) is below any resolution.
FRESH_START = 12.0


def decay(time: Floats, tau_s: float) -> Floats:
    """Share (n,) of the old value that is left after each step; 0 for the first."""
    step = np.diff(time, prepend=time[:1]) / max(tau_s, 1e-6)
    left: Floats = np.where(step < FRESH_START, np.exp(-np.minimum(step, FRESH_START)), 0.0)
    if left.size:
        left[0] = 0.0
    return left


def first_order(time: Floats, x: Floats, tau_s: float) -> Floats:
    """Pass x (n,) through a first-order lag, held between stamps, started at its first value.

    time: (n,) s, rising. z_t = a z_(t-1) + (1-a) x_t with a = exp(-dt/tau), solved as one
    two-diagonal system (exact solution of tau z' = x - z for x held over the step).
    """
    if not x.size or tau_s <= 0.0:
        return x.copy()
    a = decay(time, tau_s)
    bands = np.ones((2, x.size))
    bands[1, :-1] = -a[1:]
    # Shifted by one, a decay to nothing never reaches subnormal numbers, which are very slow.
    z: Floats = solve_banded((1, 0), bands, (1.0 - a) * (x + 1.0), check_finite=False) - 1.0
    return z


def undo_first_order(time: Floats, y: Floats, tau_s: float) -> Floats:
    """Give back what a first-order lag was fed: (y_t - a y_(t-1)) / (1 - a); noise grows with it.

    time, y: (n,). The first value, and those after a long gap, come back as they are.
    """
    a = decay(time, tau_s)
    before = np.concatenate([y[:1], y[:-1]])
    x: Floats = (y - a * before) / (1.0 - a)
    return x


def look_back(time: Floats, x: ArrayLike, at: Floats) -> Floats:
    """Linear interpolation of x (n,) at the times ``at`` (m,), held at both ends."""
    return np.interp(at, time, np.asarray(x, dtype=np.float64))
