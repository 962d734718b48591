"""Matched filter for single missing firings in a logged engine speed.

A firing that fails takes its work away at once and the speed comes back with the engine's own
time constant. The same response shapes the noise of all other firings, so the noise tells the
engine's response: an autoregressive model of the speed (fitted on the log itself) whitens it,
and a miss is a short negative pulse in what is left. Positive pulses of the same size do not
come from missing firings: they are the measure of false alarms the log gives of itself.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, solve
from scipy.special import betainc, ndtr

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

#: The model looks this far back, within these orders: long enough for the engine's own response
#: (0.2-0.7 s) and for a speed averaged over one turn, short enough to be fitted on a minute.
MEMORY_S = 0.35
ORDERS = (3, 14)
#: Ridge against a singular fit, share of the variance (a choice; well below any noise).
RIDGE = 1e-6
#: Residuals beyond this many deviations are left out of the second fit: load steps, not engine.
FIT_CLIP = 4.0
#: Parts by interval between rows in which their noise is compared, fewest rows in each, the spread
#: of intervals (shares of the usual one) from which it is, and the range of what is believed.
UNEVEN_BINS, UNEVEN_ROWS, UNEVEN_LEAST, UNEVEN_RANGE = 5, 100, 0.1, (0.7, 1.4)
#: Rows that are enough to tell the spread of intervals from.
UNEVEN_SAMPLE = 2000
#: Rounding of this share of the noise hides how it depends on the interval.
UNEVEN_ROUNDED = 0.5
#: Rows for one estimate of the noise (about 3 % error, see Rousseeuw and Croux 1993 for the MAD).
SCALE_ROWS = 400
#: Deviations within which the standard deviation is taken.
TAIL_CLIP = 5.0
#: In a rounded speed half of the differences may be naught and the rest whole steps: all within
#: this many deviations of the rounding belong to the noise.
CLIP_ROUNDING = 6.0
#: Share of a step added to the noise again, half of rounding's mean square of a twelfth. It is in
#: the measured noise, but rows of a slow course are rounded alike and the step that ends them comes
#: at once. From healthy engines logged in steps of 10 rpm, loads that switch and cold idles among
#: them: without it 1.3 % of them were called rough, with it 0.4 %. Only as far as neighbouring rows
#: are rounded alike (see misfire_rows): elsewhere it cost a twentieth of every miss for nothing.
ROUNDED_AGAIN = 0.2
#: Mean square of the residuals below which the floors of rounding have been at work, heights at
#: which the rises tell how much, and how far they are taken back at most.
FLOORED, RISES_AT, LEAST_SCALE = 0.85, np.array([2.6, 2.9]), 0.6
#: Median absolute deviation to standard deviation of a Gaussian: 1 / 0.6745.
MAD_TO_SD = 1.4826
#: Time constant of the engine's return in the templates: the middle of 0.2-0.7 s. The whitened
#: pulse hardly depends on it.
TEMPLATE_RETURN_S = 0.4
#: Moments of the miss within the interval between rows for which templates are made.
OFFSETS = (0.15, 0.5, 0.85)
#: A step of load goes on pulling after its first row: misses whose following half second lies
#: lower than this many deviations of its mean, and than this share of the fall, are taken for a
#: step (a step goes on by as many deviations as it began with; what a great fall leaves is less).
AFTER_S = 0.6
AFTER_SIGMA, AFTER_SHARE = 2.5, 0.5
#: Thresholds, in deviations, at which pulses are counted.
LEVELS = (2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 5.5, 6.0, 7.0)


@dataclass(frozen=True)
class Whitened:
    """Residuals of the autoregressive model.

    residual: (n,), standard deviations, NaN where the model has no past. sigma: (n,), rpm.
    coefficients: (p,), next value from the p before it, latest first.
    """

    residual: FloatArray
    sigma: FloatArray
    coefficients: FloatArray


def model_order(interval_s: float) -> int:
    """Order of the autoregressive model for this interval between rows."""
    return int(np.clip(round(MEMORY_S / interval_s) + 1, *ORDERS))


def whiten(
    values: FloatArray,
    *,
    starts: BoolArray,
    time_s: FloatArray,
    order: int,
    rounding_rpm: float = 0.0,
    step_rpm: float = 0.0,
) -> Whitened | None:
    """Fit one autoregressive model to all stretches of ``values`` (n,) and whiten them.

    starts: (n,), True at the first row of each stretch. Residuals are scaled by a running median
    absolute deviation and a part of ``step_rpm``, never below what rounding alone makes
    (``rounding_rpm``: its error), and by the root of the interval (noise per firing adds up in
    time). None where there are too few rows or no noise at all.
    """
    n = values.size
    if n < 6 * order + 20:
        return None
    heads = np.flatnonzero(starts)
    stretch = np.cumsum(starts) - 1
    ends = np.append(heads[1:], n)
    mean = np.add.reduceat(values, heads) / (ends - heads)
    centred = values - mean[stretch]
    past = np.arange(n) - heads[stretch] >= order
    full = np.lib.stride_tricks.sliding_window_view(centred, order + 1)
    rows = np.flatnonzero(past[order:])
    if rows.size < 5 * order + 20:
        return None
    x = full[rows]
    coefficients = np.zeros(order)
    keep = np.ones(rows.size, dtype=bool)
    for _ in range(2):
        used = x[keep]
        gram = used.T @ used
        a, b = gram[:order, :order], gram[:order, order]
        a = a + RIDGE * np.trace(gram) / (order + 1) * np.eye(order)
        try:
            coefficients = solve(a, b, assume_a="pos")
        except (LinAlgError, ValueError):
            return None
        error = x[:, order] - x[:, :order] @ coefficients
        spread = MAD_TO_SD * float(np.median(np.abs(error)))
        if not spread > 0:
            spread = float(np.std(error))  # more than half of the rows repeat a rounded value
        if not spread > 1e-9:
            return None
        # Where most rows repeat a rounded value its steps are not to be left out as loads.
        keep = np.abs(error) < FIT_CLIP * max(spread, rounding_rpm)
    step = np.diff(time_s, prepend=time_s[0])[order:][rows]
    usual = float(np.median(step))
    gain = float(np.sqrt(1.0 + coefficients @ coefficients))
    floor = rounding_rpm * gain
    # The error of rounding does not grow with the interval.
    even = min(1.0, floor**2 / max(float(np.mean(error**2)), 1e-12))
    error = error / np.sqrt(even + (1.0 - even) * np.clip(step / usual, 0.25, 4.0))
    if floor < UNEVEN_ROUNDED * spread:
        error = error / _by_interval(error, step / usual, spread)
    measured = _running_scale(error, least_clip=CLIP_ROUNDING * floor)
    sigma_rows = np.maximum(np.hypot(measured, ROUNDED_AGAIN * step_rpm * gain), floor)
    residual = np.full(n, np.nan)
    residual[order + rows] = error / sigma_rows
    sigma = np.full(n, spread)
    sigma[order + rows] = sigma_rows
    return Whitened(residual, sigma, coefficients[::-1])


def _by_interval(error: FloatArray, step: FloatArray, spread: float) -> FloatArray:
    """Noise (n,) of rows after so long a ``step`` (n,), over that of the usual one.

    That noise grows with the root of the interval holds for one firing's speed. A mean over a turn
    shares firings with the row before, more of them the sooner it comes.
    """
    if error.size < UNEVEN_BINS * UNEVEN_ROWS:
        return np.ones(error.size)
    few = step[:: max(1, error.size // UNEVEN_SAMPLE)]
    edges = np.quantile(few, np.linspace(0.0, 1.0, UNEVEN_BINS + 1))
    if edges[-2] - edges[1] < UNEVEN_LEAST:
        return np.ones(error.size)
    inner = np.abs(error) < FIT_CLIP * spread
    which = np.searchsorted(edges[1:-1], step[inner])
    count = np.bincount(which, minlength=UNEVEN_BINS)
    square = np.bincount(which, error[inner] ** 2, UNEVEN_BINS)
    if not square.sum() > 0:
        return np.ones(error.size)
    noise, usual = np.sqrt(square / np.maximum(count, 1)), np.sqrt(square.sum() / count.sum())
    centre = 0.5 * (edges[1:] + edges[:-1])
    return np.asarray(np.interp(step, centre, np.clip(noise / usual, *UNEVEN_RANGE)))


def _running_scale(error: FloatArray, least_clip: float = 0.0) -> FloatArray:
    """Noise (n,) of blocks, joined by straight lines.

    The median absolute deviation, or the standard deviation of what lies within TAIL_CLIP of it
    where that is greater: noise with a sharp middle and wide tails must not look small.
    """
    blocks = max(1, error.size // SCALE_ROWS)
    size = error.size // blocks
    body = np.abs(error[: blocks * size]).reshape(blocks, size)
    scale = MAD_TO_SD * np.median(body, axis=1)
    inner = np.where(body < np.maximum(TAIL_CLIP * scale, least_clip)[:, None], body, np.nan)
    scale = np.fmax(scale, np.sqrt(np.nanmean(inner * inner, axis=1)))
    overall = MAD_TO_SD * float(np.median(np.abs(error)))
    scale = np.maximum(scale, 0.25 * overall)
    if blocks == 1:
        return np.full(error.size, scale[0])
    centre = (np.arange(blocks) + 0.5) * size
    return np.interp(np.arange(error.size), centre, scale)


def miss_templates(
    *, coefficients: FloatArray, interval_s: float, averaging_s: Sequence[float]
) -> FloatArray:
    """Whitened, normalised pulses of one miss, shape (templates, taps), positive = falling speed.

    averaging_s: times over which the logged speed may have been averaged (one firing interval,
    one turn). The step falls in the interval between rows at OFFSETS.
    """
    order = coefficients.size
    taps = order + int(np.ceil(max(averaging_s) / interval_s)) + 1
    shapes = []
    for average in averaging_s:
        for offset in OFFSETS:
            t = (np.arange(taps) + offset) * interval_s
            # Mean over the averaging time of a step that decays: the integral is exact.
            low = np.maximum(t - average, 0.0)
            tau = TEMPLATE_RETURN_S
            response = tau / average * (np.exp(-low / tau) - np.exp(-t / tau))
            shapes.append(response)
    response = np.array(shapes)
    padded = np.concatenate([np.zeros((len(shapes), order)), response], axis=1)
    white = response.copy()
    for lag, value in enumerate(coefficients, start=1):
        white -= value * padded[:, order - lag : order - lag + taps]
    return white


def unfloored(white: Whitened, templates: FloatArray) -> Whitened:
    """Take back what the floors of rounding put on the noise, as far as the scores allow it.

    A score gathers several rows, and their rounding evens out in it. Its scale is taken from its
    rises alone, at the shoulder and in the tail: no missing firing makes those.
    """
    known = np.isfinite(white.residual)
    if float(np.mean(white.residual[known] ** 2)) > FLOORED:
        return white
    unit = templates[len(OFFSETS) // 2] / np.linalg.norm(templates[len(OFFSETS) // 2])
    padded = np.concatenate([np.nan_to_num(white.residual), np.zeros(unit.size - 1)])
    score = np.correlate(padded, unit, "valid")[known]
    up = np.minimum(score[score > 0], TAIL_CLIP)
    if up.size < 100:
        return white
    tails = np.quantile(score, ndtr(RISES_AT)) / RISES_AT
    scale = float(np.clip(max(np.sqrt(np.mean(up * up)), *tails), LEAST_SCALE, 1.0))
    return Whitened(white.residual / scale, white.sigma * scale, white.coefficients)


def miss_scores(residual: FloatArray, templates: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Correlate residuals (n,) with the templates: (n,) scores of falls and of rises.

    Each is the largest of the normalised correlations over the templates, in deviations; NaN
    rows count as 0. A fall is a missing firing's sign.
    """
    clean = np.nan_to_num(residual)
    n = clean.size
    fall = np.full(n, -np.inf)
    rise = np.full(n, -np.inf)
    for template in templates:
        norm = np.linalg.norm(template)
        if norm <= 0:
            continue
        unit = template / norm
        score = np.correlate(np.concatenate([clean, np.zeros(unit.size - 1)]), unit, "valid")
        np.maximum(fall, -score, out=fall)
        np.maximum(rise, score, out=rise)
    return fall, rise


def peaks(score: FloatArray, half_width: int) -> BoolArray:
    """Rows (n,) that are the largest of the ``half_width`` rows on either side, and positive."""
    best = score.copy()
    for shift in range(1, half_width + 1):
        best[shift:] = np.maximum(best[shift:], score[:-shift])
        best[:-shift] = np.maximum(best[:-shift], score[shift:])
    return np.asarray((score >= best) & (score > 0))


def goes_on(residual: FloatArray, *, rows: int, skip: int) -> FloatArray:
    """Mean of the ``rows`` residuals that follow a pulse of ``skip`` rows, in its own deviations.

    A load that stays on keeps pulling; a miss does not.
    """
    clean = np.nan_to_num(residual)
    total = np.concatenate([[0.0], np.cumsum(clean)])
    n = clean.size
    first = np.minimum(np.arange(n) + skip, n)
    last = np.minimum(first + rows, n)
    return np.asarray((total[last] - total[first]) / np.sqrt(np.maximum(last - first, 1)))


@dataclass(frozen=True)
class Pulses:
    """Pulses of one class of running: rows and heights of falls and of rises, and the trials.

    expected: number of pulses above each of LEVELS in Gaussian noise.
    """

    fall_rows: IntArray
    fall_heights: FloatArray
    rise_heights: FloatArray
    expected: FloatArray


#: Local maxima above LEVELS of the best of the templates in white noise, per row, over Phi(-u):
#: from 200 000 rows of white noise at each of 8-50 Hz, the greatest of them. From 4 up half as
#: much again, for real noise has wider tails than a Gaussian (rounding, rows that catch more or
#: fewer firings).
TRIALS_PER_ROW = (1.3, 1.6, 2.0, 2.4, 3.5, 4.0, 4.5, 4.5, 4.5, 4.5)
#: And so many pulses above 4 deviations in any class, falling off by e for each deviation. From
#: healthy engines of the bench at 8-50 Hz.
TAIL_PULSES = 0.05


def find_pulses(white: Whitened, templates: FloatArray, *, interval_s: float) -> Pulses:
    """Find falls and rises; steps of load and the echoes of greater pulses are left out."""
    fall, rise = miss_scores(white.residual, templates)
    width = max(1, round(0.12 / interval_s))
    skip = max(2, round(0.15 / interval_s))
    after = goes_on(white.residual, rows=max(3, round(AFTER_S / interval_s)), skip=skip)
    known = np.isfinite(white.residual)
    stays = np.maximum(AFTER_SIGMA, AFTER_SHARE * np.maximum(fall, rise))
    is_fall = peaks(fall, width) & (fall > LEVELS[0]) & (after > -stays) & known
    is_rise = peaks(rise, width) & (rise > LEVELS[0]) & (after < stays) & known
    # The whitened pulse of a great fall has small echoes of the other sign beside it.
    echo = max(3, round(0.5 / interval_s))
    greatest_fall = sliding_maximum(np.where(is_fall, fall, 0.0), echo)
    greatest_rise = sliding_maximum(np.where(is_rise, rise, 0.0), echo)
    is_rise &= greatest_fall < 1.2 * rise
    is_fall &= greatest_rise < 1.2 * fall
    rows = np.flatnonzero(is_fall)
    levels = np.array(LEVELS)
    expected = np.array(TRIALS_PER_ROW) * float(known.sum()) * ndtr(-levels)
    expected = expected + TAIL_PULSES * np.exp(4.0 - np.maximum(levels, 4.0))
    return Pulses(rows, fall[rows], rise[is_rise], expected)


def sliding_maximum(values: FloatArray, half_width: int) -> FloatArray:
    """Greatest of the ``half_width`` values (n,) on either side and the value itself."""
    best = values.copy()
    for shift in range(1, half_width + 1):
        best[shift:] = np.maximum(best[shift:], values[:-shift])
        best[:-shift] = np.maximum(best[:-shift], values[shift:])
    return best


#: Prior weight, in pulses, of the Gaussian expectation against the log's own rises: small enough
#: that two rises no Gaussian noise would make raise the bar for falls at once.
PRIOR_PULSES = 0.3
PRIOR_SHARE = 0.5


def excess_probability(falls: float, rises: float, expected: float) -> float:
    """Probability of so many falls by chance, given the rises and what Gaussian noise gives.

    The rate of pulses has a gamma prior round the Gaussian expectation, learns from the rises,
    and predicts the falls: a negative binomial tail (gamma-Poisson mixture, standard result).
    Noise with heavy tails shows in the rises and is forgiven in the falls.
    """
    if falls <= 0:
        return 1.0
    shape = PRIOR_PULSES + PRIOR_SHARE * expected
    rate = shape / max(expected, 1e-12) + 1.0
    shape = shape + rises
    # P(N >= k) of the negative binomial with r = shape and success rate/(rate+1).
    return float(betainc(falls, shape, 1.0 / (rate + 1.0)))


#: Falls have to outnumber rises by this factor on top of the test: misses make falls only.
MIRROR = 1.5


def pulse_test(pulses: Sequence[Pulses], least: int = 2) -> tuple[float, float]:
    """Smallest probability over LEVELS that the falls came by chance, Bonferroni corrected.

    Returns (p, level). Fewer than ``least`` falls at a level say nothing: a single dip can be
    anything.
    """
    best, at = 1.0, LEVELS[-1]
    for i, level in enumerate(LEVELS):
        falls = sum(int((p.fall_heights > level).sum()) for p in pulses)
        rises = sum(int((p.rise_heights > level).sum()) for p in pulses)
        expected = sum(float(p.expected[i]) for p in pulses)
        if falls < least + MIRROR * rises:
            continue
        probability = excess_probability(falls, rises, expected)
        if probability < best:
            best, at = probability, level
    # Neighbouring levels share most of their pulses: half their number is the effective one.
    return min(1.0, best * len(LEVELS) / 2), at
