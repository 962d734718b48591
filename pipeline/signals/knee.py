"""The knee in a heating curve: where heat begins to go elsewhere than into the mass."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Degrees below the certain part over which the heat balance is fitted: short enough that what
#: the balance leaves out (wind, fan, heater) has not changed much.
FIT_SPAN_K = 11.0
#: s: how late heat made in the cylinders reaches the water's sensor; the best of these is taken.
LAGS_S = (4.0, 8.0, 14.0, 22.0, 32.0)
#: Degrees of departure over which the knee is fitted: far enough to be sure, near enough that
#: the valve is still opening.
DEPARTURE_K = 2.5
#: Degrees the curve has to fall short of its forecast before a knee is spoken of at all.
LEAST_DEPARTURE_K = 1.5


@dataclass(frozen=True)
class Knee:
    """Where a heating curve leaves its forecast: index, level there and its standard error."""

    index: int
    level: float
    error: float


def heating_knee(
    *,
    seconds: Floats,
    level: Floats,
    power: Floats,
    known_until: float,
) -> Knee | None:
    """Find where a mass that was heated by ``power`` begins to be cooled by a valve.

    seconds: (n,), evenly spaced; level: (n,) degrees, smoothed; power: (n,) heat input in any
    unit. Up to ``known_until`` degrees the valve is known to be shut: there
    the heat balance level = c0 + c1·∫power + c2·t, the power late by one of LAGS_S, is fitted by
    least squares (first law of thermodynamics for one mass, its losses constant over the few
    degrees of FIT_SPAN_K). Its forecast goes on from there; a valve that opens in
    proportion makes the shortfall grow with the square of time since it lifted, which is fitted
    to find the moment. None where the curve gives no knee: too short, or it never falls short of
    the forecast.
    """
    n = seconds.size
    if n < 60:
        return None
    step = float(seconds[1] - seconds[0])
    early = np.flatnonzero(level <= known_until)
    last = int(early[-1]) if early.size else -1
    first = int(np.argmax(level > known_until - FIT_SPAN_K))
    fit_rows = np.arange(first, last + 1)
    if fit_rows.size < 20 or np.ptp(level[fit_rows]) < FIT_SPAN_K / 2:
        return None
    best_fit: tuple[float, Floats, Floats] | None = None
    for lag in LAGS_S:
        late = _lagged(power, step / lag)
        design = np.column_stack([np.ones(n), np.cumsum(late) * step, seconds])
        design = design / np.maximum(np.abs(design).max(axis=0), 1e-12)
        wanted, *_ = np.linalg.lstsq(design[fit_rows], level[fit_rows], rcond=None)
        left_over = float(np.std(level[fit_rows] - design[fit_rows] @ wanted))
        if best_fit is None or left_over < best_fit[0]:
            best_fit = (left_over, design, wanted)
    assert best_fit is not None
    noise, design, wanted = best_fit
    shortfall = design @ wanted - level
    beyond = np.flatnonzero((np.arange(n) > last) & (shortfall > DEPARTURE_K))
    stop = int(beyond[0]) if beyond.size else n - 1
    if shortfall[last:].max(initial=0.0) < max(LEAST_DEPARTURE_K, 4.0 * noise):
        return None
    rows = np.arange(max(0, last - 60), stop + 1)
    best, misfit = last, np.inf
    for start in range(last - 20, stop):
        since = np.maximum(rows - start, 0.0) ** 2
        total = float(since @ since)
        if total == 0:
            continue
        gain = float(since @ shortfall[rows]) / total
        left = float(np.sum((shortfall[rows] - gain * since) ** 2))
        if gain > 0 and left < misfit:
            best, misfit = start, left
    best = max(best, 0)
    rate = abs(float(level[min(best + 10, n - 1)] - level[max(best - 10, 0)])) / 20.0 / step
    return Knee(best, float(level[best]), max(0.3, noise, 5.0 * rate))


def _lagged(values: Floats, share: float) -> Floats:
    """First-order lag of evenly spaced values; ``share`` of the gap closed per sample."""
    out = np.empty_like(values)
    state = float(values[0]) if values.size else 0.0
    keep = float(np.exp(-share))
    # A few hundred to a few thousand one-second steps: a plain loop is quick enough.
    for index, value in enumerate(values.tolist()):
        state = value + (state - value) * keep
        out[index] = state
    return out
