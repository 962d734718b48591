"""First-order lags on uneven time stamps: apply, undo, and look back by a varying delay."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg.lapack import dtbtrs

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


def _weights(time: Floats, tau_s: float) -> tuple[Floats, Floats, Floats]:
    """What is left of the old output, and the weights (n,) of the new and the last input.

    Exact for an input that runs straight from stamp to stamp (first-order hold, as in textbooks of
    sampled systems): z_t = a z_(t-1) + (1 - k) x_t + (k - a) x_(t-1), k = (1 - a) tau / dt. An
    input held over the step would come half a step too early.
    """
    a = decay(time, tau_s)
    step = np.diff(time, prepend=time[:1])
    k = np.where(step > 0.0, (1.0 - a) * tau_s / np.maximum(step, 1e-12), 0.0)
    before = np.maximum(k - a, 0.0)
    return a, 1.0 - a - before, before


def first_order(time: Floats, x: Floats, tau_s: float) -> Floats:
    """Pass x (n,) through a first-order lag, tau z' = x - z, started at its first value.

    time: (n,) s, rising; x straight between stamps. Solved as one two-diagonal system
    by forward substitution.
    """
    if not x.size or tau_s <= 0.0:
        return x.copy()
    a, now, before = _weights(time, tau_s)
    bands = np.zeros((2, x.size), order="F")
    bands[1, :-1] = -a[1:]
    # Shifted by one, a decay to nothing never reaches subnormal numbers, which are very slow.
    up = x + 1.0
    right = now * up + before * np.concatenate([up[:1], up[:-1]])
    z: Floats = dtbtrs(bands, right[:, None], uplo="L", diag="U")[0][:, 0] - 1.0
    return z


def undo_first_order(time: Floats, y: Floats, tau_s: float) -> Floats:
    """Give back what a first-order lag was fed: (y_t - a y_(t-1)) / (1 - a); noise grows with it.

    time, y: (n,). What comes back is the input's mean over the step, so it belongs to a moment
    :func:`undone_age` before the stamp. The first value, and those after a long gap, come back as
    they are.
    """
    a = decay(time, tau_s)
    before = np.concatenate([y[:1], y[:-1]])
    x: Floats = (y - a * before) / (1.0 - a)
    return x


def undone_age(time: Floats, tau_s: float) -> Floats:
    """How long before its stamp each undone value (n,) was fed in, s: half a step or the lag.

    The centre of the two inputs' weights in :func:`first_order`.
    """
    a, _, before = _weights(time, tau_s)
    step = np.diff(time, prepend=time[:1])
    age: Floats = step * before / np.maximum(1.0 - a, 1e-12)
    return age


def look_back(time: Floats, x: ArrayLike, at: Floats) -> Floats:
    """Linear interpolation of x (n,) at the times ``at`` (m,), held at both ends."""
    return np.interp(at, time, np.asarray(x, dtype=np.float64))


def at_source(time: Floats, y: Floats, late_s: ArrayLike) -> Floats:
    """Readings y (n,) moved back to where they came from: y seen at t was made at t - late_s.

    late_s: s, a number or (n,). NaN in y are bridged; shape (n,), held at both ends.
    """
    good = np.isfinite(y)
    made = np.maximum.accumulate((time - np.asarray(late_s, dtype=np.float64))[good])
    return look_back(made, y[good], time)
