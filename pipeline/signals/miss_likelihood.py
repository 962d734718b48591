"""Likelihood of rare missing firings against none, over all rows of a class at once.

Each row may hold the first sign of a miss, with a small probability: the likelihood ratio of this
mixture gathers many faint falls as well as few clear ones, where counting falls above a height
loses one or the other. Noise with wider tails than a Gaussian is learnt from the rises, which no
missing firing makes. Sizes and shares of misses are averaged over, so that the expectation of the
ratio is one where nothing misses, and a ratio of R comes by chance with probability 1/R at most
(Markov's inequality; Ville 1939). Source of the mixture: detection of sparse pulses in noise,
Donoho and Jin 2004, Ann. Stat. 32:962.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline.signals.matched_filter import (
    AFTER_S,
    AFTER_SHARE,
    AFTER_SIGMA,
    OFFSETS,
    goes_on,
    sliding_maximum,
)

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

#: Shares of one cylinder's firings that are averaged over, each alike: from a miss in the longest
#: drives to so many that lines and skewness see them.
SHARES = 0.0006 * 2.0 ** np.arange(8)
#: Fall of one miss over the expected: inertia and work are known to a factor of two,
SIZES = (0.45, 0.65, 1.0, 1.55)
#: and how likely each is (a scatter of a factor of about 1.4, as of engines' inertia).
SIZE_WEIGHTS = (0.06, 0.24, 0.46, 0.24)
#: A miss of one size scatters by this share of itself: that fills the gaps between SIZES.
SIZE_SPREAD = 0.2
#: How likely a logged speed is the last firing's, the last turn's and the last two turns' mean.
AVERAGING_WEIGHTS = np.array([0.475, 0.475, 0.05])
#: Wider noise mixed in: deviations of each part, the height from which rises are counted for it,
#: and how many rises are taken to be there before any are seen.
WIDE_SD = np.array([1.4, 2.0, 3.5, 6.0])
WIDE_FROM = np.array([2.0, 3.0, 4.5, 7.0])
WIDE_PRIOR = np.array([0.5, 0.1, 0.01, 0.003])
#: A fall of fewer deviations is not looked for one by one.
LEAST_HEIGHT = 3.0
#: A fall must be this much more likely to come from the wide noise than the rises alone say.
WIDE_MARGIN = 1.5
#: Loads that switch: a fall this high (deviations) that goes on as a step does, or a rise that goes
#: on by this much (a load that leaves, of which no miss is the cause). Smaller ones look like
#: misses: each asks for so much more evidence (logarithm of the ratio), up to the most. White noise
#: makes so many of them a row.
LOAD_HEIGHT, LOAD_LEAVES = 3.5, 1.5
LOADS_BY_CHANCE = 3e-5
LOAD_STEP, LOAD_MOST = 2.0, 6.0
#: What is left of a pulse's rows less the miss fitted to them is chance, up to so many deviations
#: of its sum of squares, and the miss's own shape, known to this share of its square.
MISFIT_SIGMA, MISFIT_SHARE = 4.0, 0.25
#: Beside a fall or rise this high neighbouring rows are its own echo.
ECHO_HEIGHT = 3.5
ECHO_S = 0.5
#: One dip can be anything: what is left without the largest has to speak more for misses than the
#: greatest fall does that chance makes in so many of logs like this one, each row a trial. What few
#: misses in many cycles cost counts against both and not again. In white noise at 10 Hz a minute
#: with one plain dip is called in 2 of 100 logs, with two in 96.
SECOND_CHANCE = 0.07
HEIGHTS = np.arange(2.0, 12.0, 0.1)
#: Up to this chance of a miss in a row two terms of the logarithm's series are exact to 1e-3 of it.
SERIES_CHANCE = 0.05
#: Injected misses from which the power is reckoned.
INJECTED = 32
#: More misses than this share run into each other and into the noise itself.
LARGEST_CLAIM = 0.2
#: and their size over the expected: a claim of power should hold for the smaller ones too.
INJECTED_SIZE = 0.75

#: Logarithm of the ratio from which it is called rough running at 1 % false alarms, in rows of so
#: many seconds and less, and more; in proportion between. In short rows a fall shows its course,
#: and what is shaped otherwise is told from it; in long ones a load that comes is one low row, too.
#: The bound e^-x is loose where sizes and shares are averaged over: of 3024 logs of healthy engines
#: at 8-50 Hz, six in seven with loads, hunting, rough roads, cold idles or lumpy cams, 0.4 %
#: were called; at 0.25 instead of 0.5 rough roads alone did in 1.5 %.
ROWS_S, CALLED, CALLED_AT = (0.07, 0.1), (0.5, 1.0), 0.01


@dataclass(frozen=True)
class MissEvidence:
    """Logarithms of likelihood ratios of one class of running.

    falls, rises: (averagings, sizes, shares). largest: the same, the row that adds most
    to falls; by_chance: what the greatest fall of noise may add, see SECOND_CHANCE. injected:
    (INJECTED, averagings, sizes, shares), what one more miss of the expected size adds. cycles:
    engine cycles watched; counted: those in rows whose falls count. loads: steps of load seen, by
    the way the speed goes on, beyond those that noise makes. called: see CALLED.
    """

    falls: FloatArray
    rises: FloatArray
    largest: FloatArray
    injected: FloatArray
    by_chance: FloatArray
    cycles: float
    loads: float = 0.0
    called: float = CALLED[1]
    counted: float = 0.0


def miss_evidence(
    residual: FloatArray,
    templates: FloatArray,
    *,
    drop: FloatArray,
    interval_s: float,
    speed_rpm: float,
    faint: float = 0.0,
) -> MissEvidence:
    """Weigh the whitened speed of one class.

    residual: (n,), deviations, NaN where unknown; templates: (averagings * OFFSETS, taps), from
    miss_templates; drop: (n,) expected fall of one miss in deviations. Rows of less than ``faint``
    deviations may speak against misses, not for them.
    """
    clean = np.nan_to_num(residual)
    known = np.isfinite(residual)
    norm = np.linalg.norm(templates, axis=1)
    unit = templates / norm[:, None]
    padded = np.concatenate([clean, np.zeros(templates.shape[1] - 1)])
    score = np.stack([np.correlate(padded, u, "valid") for u in unit])
    fall, rise, loads = _usable(clean, score, known, interval_s, taps=templates.shape[1])
    per_row = interval_s * speed_rpm / 120.0
    wide = _wide_noise(score, rise, int(known.sum()))
    groups = templates.shape[0] // len(OFFSETS)
    norm = norm.reshape(groups, len(OFFSETS))
    shape = (groups, len(SIZES), SHARES.size)
    falls, rises, largest = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    injected = np.zeros((INJECTED, *shape))
    rows = np.flatnonzero(fall)
    if rows.size == 0:
        return MissEvidence(falls, rises, largest, injected, falls.copy(), 0.0)
    picks = rows[np.linspace(0, rows.size - 1, INJECTED).astype(np.int64)]
    overlap = unit @ unit.T
    cycles = float(known.sum()) * per_row
    # A share cannot be so great that a row holds more than one miss on average.
    chance = np.minimum(SHARES * per_row, 0.8)
    by_chance, top = np.zeros(shape), _greatest_by_chance(wide, rows.size)
    base_top, usual = 1.0 + _wide_ratio(top, wide), float(np.median(drop))
    for g in range(groups):
        own = slice(g * len(OFFSETS), (g + 1) * len(OFFSETS))
        if g and np.array_equal(unit[own], unit[own.start - len(OFFSETS) : own.start]):
            falls[g], rises[g], largest[g] = falls[g - 1], rises[g - 1], largest[g - 1]
            injected[:, g], by_chance[g] = injected[:, g - 1], by_chance[g - 1]
            continue
        z = score[own]
        before, after = z[:, picks], _injected(z, picks, drop, norm, overlap, g)
        base = 1.0 + _wide_ratio(z, wide)
        base_after = 1.0 + _wide_ratio(after, wide)
        for s, size in enumerate(SIZES):
            d = np.maximum(size * norm[g][:, None] * drop, LEAST_HEIGHT)
            d_top = np.maximum(size * norm[g][:, None] * usual, LEAST_HEIGHT)
            by_chance[g, s] = np.log1p(chance * float((_ratio(top, d_top) / base_top).mean()))
            down = np.where(fall, _heard(-z, d, base, faint), 1.0)
            up = np.where(rise, _heard(z, d, base, faint), 1.0)
            falls[g, s], largest[g, s] = _sums(down, chance)
            rises[g, s], _ = _sums(up, chance)
            more = _heard(-after, d[:, picks], base_after, faint)
            less = _heard(-before, d[:, picks], base[:, picks], faint)
            injected[:, g, s] = np.log1p(chance * (more[:, None] - 1.0)) - np.log1p(
                chance * (less[:, None] - 1.0)
            )
    called = float(np.interp(interval_s, ROWS_S, CALLED))
    counted = float(rows.size) * per_row
    return MissEvidence(falls, rises, largest, injected, by_chance, cycles, loads, called, counted)


def _usable(
    clean: FloatArray, score: FloatArray, known: BoolArray, interval_s: float, *, taps: int
) -> tuple[BoolArray, BoolArray, float]:
    """Rows (n,) whose falls, and rises, count, and the steps of load beyond chance.

    Not counted: steps of load, echoes of a greater pulse, and what is shaped otherwise than a miss.
    """
    skip = max(2, round(0.15 / interval_s))
    after = goes_on(clean, rows=max(3, round(AFTER_S / interval_s)), skip=skip)
    lowest, highest = -score.min(axis=0), score.max(axis=0)
    near = max(1, round(0.12 / interval_s))
    echo = max(3, round(ECHO_S / interval_s))
    top_fall = sliding_maximum(np.where(lowest > ECHO_HEIGHT, lowest, 0.0), echo)
    top_rise = sliding_maximum(np.where(highest > ECHO_HEIGHT, highest, 0.0), echo)
    own_fall = sliding_maximum(np.where(lowest > ECHO_HEIGHT, lowest, 0.0), near)
    own_rise = sliding_maximum(np.where(highest > ECHO_HEIGHT, highest, 0.0), near)
    fall = known & (1.2 * lowest >= top_rise) & (lowest >= own_fall)
    rise = known & (1.2 * highest >= top_fall) & (highest >= own_rise)
    comes = fall & (lowest > LOAD_HEIGHT) & (-after > np.maximum(AFTER_SIGMA, AFTER_SHARE * lowest))
    leaves = rise & (highest > LOAD_HEIGHT) & (
        after > np.maximum(LOAD_LEAVES, AFTER_SHARE * highest)
    )  # fmt: skip
    rows = np.flatnonzero(comes | leaves)
    steps = int((np.diff(rows, prepend=-taps) >= taps).sum())
    total = np.concatenate([[0.0], np.cumsum(clean * clean), np.zeros(taps)])
    total[clean.size + 1 :] = total[clean.size]
    energy = total[taps : taps + clean.size] - total[: clean.size]
    chance = taps - 1 + MISFIT_SIGMA * np.sqrt(2.0 * (taps - 1))
    fall &= -after < np.maximum(AFTER_SIGMA, AFTER_SHARE * lowest)
    rise &= after < np.maximum(AFTER_SIGMA, AFTER_SHARE * highest)
    fall &= energy < chance + (1.0 + MISFIT_SHARE) * lowest * lowest
    rise &= energy < chance + (1.0 + MISFIT_SHARE) * highest * highest
    return fall, rise, max(0.0, steps - LOADS_BY_CHANCE * float(known.sum()))


def _wide_noise(score: FloatArray, rise: BoolArray, rows: int) -> FloatArray:
    """Weights of WIDE_SD in the noise, from the rises above WIDE_FROM beyond a Gaussian's."""
    seen = (score[:, rise][..., None] > WIDE_FROM).sum(axis=1).mean(axis=0)
    usual = rows * ndtr(-WIDE_FROM)
    # No allowance for chance: taking wide noise for narrow makes misses of its tail.
    beyond = np.maximum(0.0, seen - usual)
    tail = ndtr(-WIDE_FROM / WIDE_SD)
    return np.asarray(np.minimum(0.5, (WIDE_PRIOR + WIDE_MARGIN * beyond) / (tail * max(rows, 1))))


def _greatest_by_chance(weights: FloatArray, rows: int) -> FloatArray:
    """Height (1,) that noise with these weights of WIDE_SD reaches in SECOND_CHANCE of logs."""
    tail = ndtr(-HEIGHTS) + ndtr(-HEIGHTS[:, None] / WIDE_SD) @ weights
    expected = np.log(max(rows, 1) * tail)
    return np.asarray(np.interp([-np.log(SECOND_CHANCE)], -expected, HEIGHTS))


def _wide_ratio(z: FloatArray, weights: FloatArray) -> FloatArray:
    """Density of the wide noise over a standard Gaussian's, at z."""
    half = 0.5 * z * z
    out = np.zeros_like(z)
    for weight, sd in zip(weights, WIDE_SD, strict=True):
        out += weight / sd * np.exp(np.minimum(half * (1.0 - 1.0 / (sd * sd)), 300.0))
    return out


def _ratio(z: FloatArray, d: FloatArray) -> FloatArray:
    """Likelihood of a miss of height d (scattering by SIZE_SPREAD) over that of none, at z."""
    spread = 1.0 + (SIZE_SPREAD * d) ** 2
    exponent = 0.5 * z * z - (z - d) ** 2 / (2.0 * spread)
    return np.asarray(np.exp(np.clip(exponent, -300.0, 300.0)) / np.sqrt(spread))


def _heard(z: FloatArray, d: FloatArray, base: FloatArray, faint: float) -> FloatArray:
    """Mean over offsets (first axis) of the ratio of a miss over the noise ``base``."""
    ratio = np.asarray((_ratio(z, d) / base).mean(axis=0))
    if faint > 0.0:
        ratio = np.where(z.max(axis=0) < faint, np.minimum(ratio, 1.0), ratio)
    return ratio


def _sums(ratio: FloatArray, chance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Sum over rows of log(1 + chance (ratio - 1)), and its largest term, per chance.

    Ratios of rows without a sign are near one: there the logarithm's series to the second order
    is enough, and only the few others are worked out.
    """
    x = ratio - 1.0
    loud = x > 0.5
    quiet = x[~loud]
    sums = chance * quiet.sum() - 0.5 * chance**2 * (quiet @ quiet)
    often = chance > SERIES_CHANCE
    if often.any():
        sums[often] = np.log1p(chance[often, None] * quiet).sum(axis=1)
    terms = np.log1p(chance[:, None] * x[loud])
    if terms.shape[1] == 0:
        return sums, np.zeros(chance.size)
    return sums + terms.sum(axis=1), terms.max(axis=1)


def _injected(
    z: FloatArray, picks: NDArray[np.int64], drop: FloatArray, norm: FloatArray,
    overlap: FloatArray, group: int,
) -> FloatArray:  # fmt: skip
    """Scores (offsets, picks) with one more miss of the expected size in each pick."""
    n = len(OFFSETS)
    true = np.arange(picks.size) % norm.size  # its averaging and offset take turns
    height = INJECTED_SIZE * drop[picks] * norm.reshape(-1)[true]
    return z[:, picks] - overlap[group * n : (group + 1) * n][:, true] * height


def log_mean(values: FloatArray) -> FloatArray:
    """Logarithm of the mean of exp(values) over averagings, sizes (weighted) and shares."""
    axes = (-3, -2, -1)
    top = values.max(axis=axes)
    averaging = AVERAGING_WEIGHTS[: values.shape[-3], None, None]
    weights = averaging / averaging.sum() * np.array(SIZE_WEIGHTS)[:, None] / values.shape[-1]
    scaled = np.exp(values - top[..., None, None, None]) * weights
    return np.asarray(top + np.log(scaled.sum(axis=axes)))


def chance(parts: Sequence[MissEvidence], *, single: bool = False) -> float:
    """Probability by chance of what these classes together show, calibrated at 1 %.

    single: one fall may be all there is; else a second has to speak for misses, too.
    """
    if not parts:
        return 1.0
    falls = np.sum([p.falls for p in parts], axis=0)
    rises = np.sum([p.rises for p in parts], axis=0)
    largest = np.max([p.largest for p in parts], axis=0)
    return float(_chance(falls, rises, None if single else largest, _session(parts)))


def _session(parts: Sequence[MissEvidence]) -> tuple[float, float, float]:
    """What the rest must exceed, steps of load, and the mean of `called` over the cycles."""
    cycles = sum(p.counted for p in parts)
    called = sum(p.called * p.counted for p in parts) / cycles if cycles > 0.0 else CALLED[1]
    one = np.max([p.by_chance for p in parts], axis=0)
    return float(log_mean(one - SHARES * cycles)), sum(p.loads for p in parts), called


def _chance(
    falls: FloatArray, rises: FloatArray, largest: FloatArray | None,
    session: tuple[float, float, float],
) -> FloatArray:  # fmt: skip
    """Probabilities of tables (..., averagings, sizes, shares); rises count against falls."""
    second, loads, called = session
    height = log_mean(falls) - np.maximum(log_mean(rises), 0.0)
    height = height - min(LOAD_STEP * loads, LOAD_MOST)
    p = np.minimum(CALLED_AT * np.exp(np.minimum(called - height, 10.0)), 1.0)
    if largest is None:
        return np.asarray(p)
    return np.where(log_mean(falls - largest) > second, p, 1.0)


def power(parts: Sequence[MissEvidence], share: float, alpha: float, draws: int = 100) -> float:
    """Share of logs like this one, with misses of ``share``, whose chance would be under alpha.

    What a log shows without misses is taken from its own rises; misses are added one by one, as
    many as a Poisson count gives (compound Poisson, drawn).
    """
    rng = np.random.default_rng(1)
    rises = np.sum([p.rises for p in parts], axis=0)
    total = np.broadcast_to(rises, (draws, *rises.shape)).copy()
    largest = np.zeros_like(total)
    session = _session(parts)
    for part in parts:
        many = rng.poisson(share * part.cycles / INJECTED, (draws, INJECTED))
        flat = part.injected.reshape(INJECTED, -1)
        total += (many @ flat).reshape(total.shape)
        hit = np.where(many[..., None] > 0, flat, 0.0).max(axis=1)
        np.maximum(largest, hit.reshape(total.shape), out=largest)
    return float((_chance(total, rises, largest, session) < alpha).mean())


def smallest(parts: Sequence[MissEvidence], alpha: float, wanted: float) -> float | None:
    """Smallest share of one cylinder's firings that reaches the wanted power, by bisection."""
    cycles = sum(p.cycles for p in parts)
    if cycles < 20.0 or power(parts, LARGEST_CLAIM, alpha) < wanted:
        return None
    low, high = np.log(1.0 / cycles), np.log(LARGEST_CLAIM)
    for _ in range(7):
        middle = 0.5 * (low + high)
        if power(parts, float(np.exp(middle)), alpha) >= wanted:
            high = middle
        else:
            low = middle
    return float(np.exp(high))
