"""The knee in a heating curve: where heat begins to go elsewhere than into the mass."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: Degrees between the bounds up to which the valve is taken as shut, one after the other.
BOUND_STEP_K = 1.0
#: Degrees below each bound over which the heat balance is fitted: long enough for a quick climb
#: to have its rows, short enough that what the balance leaves out (wind, fan, heater) has not
#: changed much in a slow one. Each of them gives knees of its own.
FIT_SPANS_K = (8.0, 11.0, 15.0, 21.0)
#: Degrees above a bound and samples after it within which its knee has to come: a forecast from
#: further back says nothing.
REACH_K, REACH = 9.0, 400
#: Samples in which block and hoses alone would cool by 63 %: 2500 s, between the half hour of a
#: car on the move and the hour of one at rest (common practice, no source).
LOSS_TIME = 2500.0
#: Samples late: how late heat made in the cylinders reaches the water's sensor; the best is taken.
LAGS = (4.0, 8.0, 14.0, 22.0, 32.0)
#: Quantile of the fitted rows' power up to which the forecast is sure of its heat, and the share of
#: what lies above it that may never reach the water: from part load to full load the share of the
#: fuel's heat that goes into the coolant falls to half and less (common practice, no source).
SEEN, LOST_OVER = 0.9, 0.6
#: Degrees of departure over which the knee is fitted: far enough to be sure, near enough that
#: the valve is still opening.
DEPARTURE_K = 2.5
#: Samples within which the shortfall of a valve that opened grows on, to this many times itself.
LASTS, LASTING = 120, 2.0
#: Times the scatter about the fit that this departure has to be.
SURE = 6.0
#: Samples before the bound that the fit of the knee looks at; those it may begin before it.
BEFORE, BEGINS_BEFORE = 60, 20
#: Degrees within which knees from several bounds agree, and how many of them have to.
AGREE_K, AGREEING = 1.0, 8
#: Degrees between bound and knee at which the forecast is best, and over which it loses worth.
BEST_AHEAD_K, WORTH_K = 0.0, 2.0
#: Degrees of disagreement that still count as error of the same knee.
SCATTER_K = 4.0


@dataclass(frozen=True)
class Knee:
    """Where a heating curve leaves its forecast: level in degrees and its standard error."""

    level: float
    error: float


def heating_knee(
    *, level: Floats, good: Bools, power: Floats, lowest: float, highest: float
) -> Knee | None:
    """Find where a mass that was heated by ``power`` begins to be cooled by a valve.

    level: (n,) degrees, evenly spaced in time and without holes; good: (n,) rows to trust; power:
    (n,) heat input in any unit. Only the first climb is looked at. For each bound between
    ``lowest`` and ``highest`` the valve is taken as shut below it: there the heat balance
    level + ∫level/LOSS_TIME = c0 + c1·∫power + c2·t, the power late by one of LAGS, is fitted by
    least squares (first law of thermodynamics for one mass that loses heat in proportion to its
    warmth) and goes on as a forecast. A valve that opens in proportion makes the shortfall grow
    with the square of time
    since it lifted, which gives the moment. A bound far too low sees other changes as a knee, one
    too high has the knee within its fit; the level on which most bounds near it agree is the
    knee, and their scatter is its error. None where too few agree: too short, too noisy, or the
    curve never falls short.
    """
    n = level.size
    bounds = np.arange(lowest, min(highest, float(level.max(initial=-np.inf))), BOUND_STEP_K)
    if n < BEFORE or not bounds.size:
        return None
    late = np.array([_lagged(power, 1.0 / lag) for lag in LAGS])
    heat = np.cumsum(late, axis=1)
    climbed = np.maximum.accumulate(level)
    kept = level + np.cumsum(level) / LOSS_TIME
    knees = [
        _knee_beyond(float(bound), span, level, kept, climbed, good, late, heat)
        for span in FIT_SPANS_K
        for bound in bounds
    ]
    return _agreed(np.tile(bounds, len(FIT_SPANS_K)), np.array(knees))


def _knee_beyond(
    bound: float,
    span: float,
    level: Floats,
    kept: Floats,
    climbed: Floats,
    good: Bools,
    late: Floats,
    heat: Floats,
) -> float:
    """Level at the knee seen from one bound, NaN where the curve shows none.

    kept: (n,) level with the heat lost on the way added back; late, heat: (lags, n) power as it
    arrives and its sum.
    """
    n = level.size
    begin, end = (int(np.searchsorted(climbed, b, "right")) for b in (bound - span, bound))
    stop = min(int(np.searchsorted(climbed, bound + REACH_K, "right")), end + REACH, n)
    fit = begin + np.flatnonzero(good[begin:end])
    ahead = end + np.flatnonzero(good[end:stop])
    if fit.size < BEGINS_BEFORE or not ahead.size or np.ptp(level[fit]) < span / 2:
        return np.nan
    rows = np.concatenate([fit, ahead])
    since = rows - float(end)
    made = heat[:, rows] - heat[:, end - 1 : end]
    # Power the fit never saw counts only as far as any engine passes it on to its water.
    usual = np.quantile(late[:, fit], SEEN, axis=1)[:, np.newaxis]
    over = np.cumsum(np.maximum(late[:, rows] - usual, 0.0) * (since >= 0.0), axis=1)
    shortfall, noise, gain = _shortfall(kept[rows] - kept[end - 1], since, made, fit.size)
    sure = shortfall - LOST_OVER * np.abs(gain) @ over
    gone = np.flatnonzero(shortfall[fit.size :] > DEPARTURE_K)
    if not gone.size or SURE * noise > DEPARTURE_K:
        return np.nan
    last = fit.size + int(gone[0])
    later = (rows > rows[last]) & (rows <= rows[last] + LASTS)
    if sure[later].max(initial=0.0) < LASTING * DEPARTURE_K:
        return np.nan
    near = np.flatnonzero(since[: last + 1] >= -BEFORE)
    starts = np.arange(max(begin, end - BEGINS_BEFORE), int(rows[last]))
    square = np.maximum(rows[near] - starts[:, np.newaxis], 0.0) ** 2
    along, total = square @ shortfall[near], np.sum(square**2, axis=1)
    # What a growing square explains of the shortfall: the largest leaves the least over.
    explained = np.where(along > 0.0, along**2 / np.maximum(total, 1e-12), 0.0)
    return float(level[starts[int(np.argmax(explained))]])


def _shortfall(
    level: Floats, since: Floats, heat: Floats, fit: int
) -> tuple[Floats, float, Floats]:
    """Forecast less level (rows,), the fit's scatter on the first ``fit`` rows, gains (lags,).

    All gains but that of the lag that fits best are 0.

    heat: (lags, rows). Level and heat are freed of the straight line in time first (Frisch-Waugh:
    the coefficient of heat is the same as in the fit with all three).
    """
    time = since[:fit] - since[:fit].mean()
    free = np.vstack([level, heat])
    means = free[:, :fit].mean(axis=1, keepdims=True)
    slopes = (free[:, :fit] @ time)[:, np.newaxis] / float(time @ time)
    free = free - means - slopes * (since - since[:fit].mean())
    left, made = free[0], free[1:]
    gains = made[:, :fit] @ left[:fit] / np.maximum(np.sum(made[:, :fit] ** 2, axis=1), 1e-9)
    scatter = np.std(left[:fit] - gains[:, np.newaxis] * made[:, :fit], axis=1)
    best = int(np.argmin(scatter))
    gain = np.where(np.arange(gains.size) == best, gains, 0.0)
    return gain @ made - left, float(scatter[best]), gain


def _agreed(bounds: Floats, knees: Floats) -> Knee | None:
    """Level on which most bounds agree, those just below it counting most."""
    seen = np.isfinite(knees)
    bounds, knees = bounds[seen], knees[seen]
    if knees.size < AGREEING:
        return None
    worth = np.exp(-(((knees - bounds - BEST_AHEAD_K) / WORTH_K) ** 2))
    apart = np.abs(knees[:, np.newaxis] - knees)
    votes = np.sum(np.where(apart <= AGREE_K, worth, 0.0), axis=1)
    here = apart[int(np.argmax(votes))]
    same = here <= AGREE_K
    if int(same.sum()) < AGREEING:
        return None
    middle = float(np.average(knees[same], weights=worth[same]))
    wide = here <= SCATTER_K
    spread = float(np.average((knees[wide] - middle) ** 2, weights=worth[wide]))
    return Knee(middle, float(np.sqrt(spread)))


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
