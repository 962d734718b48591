"""Missing firings in steady running: coherent lines and single pulses, in one calibrated answer.

Three looks at the same whitened speed. A cylinder that is dead or weak draws lines at odd half
orders (F test against neighbouring lines). One that misses now and then leaves single pulses
(matched filter, likelihood of a sparse mixture), one that misses often skews the noise. The
false-alarm rate is shared out between them.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pipeline.signals.matched_filter import (
    TEMPLATE_RETURN_S,
    Pulses,
    Whitened,
    find_pulses,
    miss_templates,
    model_order,
    unfloored,
    whiten,
)
from pipeline.signals.misfire_rows import (
    ClassInput,
    averaged,
    is_rounded,
    levelled,
    rounded_alike,
    rounding_error,
    swinging,
)
from pipeline.signals.miss_likelihood import MissEvidence, miss_evidence
from pipeline.signals.order_tracking import (
    alias_frequency,
    cycle_phase,
    line_test,
    order_lines,
    windows,
)
from pipeline.signals.sampling import quantisation_step

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

#: Windows of the coherent sum: the long ones gather more, the short one forgives a phase that
#: drifts because the speed was rounded or read late.
WINDOWS_S = (30.0, 8.0, 2.5)
#: Rows this much shorter than a cycle show lines in differences from row to row: the model of the
#: noise foresees a dead cylinder that repeats itself well, and takes its line away. Lines that the
#: rate folds down among the slow wander are not looked for there: only the model takes it away.
FINE_ROWS = 0.36
#: Rows longer than this times the usual are gaps of the log and no part of its pace.
LONG_ROWS = 1.6
#: Closer than this (in a window's own resolutions) two lines cannot be told apart.
BLIND_RESOLUTIONS = 1.5
#: rpm: steps coarser than this are not smoothed by a healthy engine's own noise (5-15 rpm at idle,
#: common practice), and a miss must fall by so many of them to be told from a step.
COARSE_STEP_RPM, LEAST_STEPS = 12.0, 2.5
#: Deviations: in a speed whose steps show, a crowd of smaller falls is rounding, which is lopsided.
ROUNDED_FAINT = 3.5
#: Residuals beyond this many deviations count as this in the skewness: one event must not decide.
SKEW_CLIP = 5.0
#: And in the lines: a window in which a load came or went would outweigh the others, and what is
#: left then is the chance of two windows instead of twenty. A dead cylinder stays below, for its
#: line is in the noise it is measured in.
LINE_CLIP = 4.0
#: A line speaks from this share of one dead cylinder on, times the root of the cylinders. Healthy
#: cylinders differ by 1-3 % in their work (common practice, no source); so many of them draw a line
#: of up to 2.2 times that times their root (99 % of a Rayleigh amplitude), and the size of a miss
#: is known to a factor of two only.
LEAST_LINE_SHARE = 0.09
#: Its power less this many deviations of its floor's chance has to stand for half of that.
LINE_SIGMA = 3.0
#: Hz: lines below this, or folded by the rate, are not told from a swing and its harmonics in
#: windows of which this share swings.
SWING_CLEAR_HZ, SWING_PART = 4.0, 0.3
#: An idle whose middle nine tenths span more than this share of its speed is cold or loaded: its
#: noise and response change with it, and it counts as so many steps of load. Of such idles 2.3 %
#: were called rough without it, 0.8 % with it.
WANDER_SHARE, WANDER_LOADS = 0.15, 0.5
#: Logarithm of the ratio by which falls must fit a mean over two turns better than a shorter one.
LONG_MEAN = 1.0
#: A pulse smaller or greater than these multiples of the expected fall is not one missing firing.
PULSE_RANGE = (0.4, 3.5)


@dataclass(frozen=True)
class ClassResult:
    """What one class showed.

    seconds, cycles: how much of it there was. noise_rpm: median of the whitened noise. evidence:
    likelihood of rare misses over that of none. pulse_z, drop_rpm: the expected miss in
    deviations and as a fall. scatter: noise of one firing as a share of its work, by the expected
    fall. line_ratio, line_p: F ratio and its tail. line_share: the line as a share of a dead
    cylinder's, line_least: what healthy engines stay below. line_floor: the floor of the half order
    in the shortest windows, floor_cells of them, as such a share. blind_share: share of windows
    whose half order could not be seen. swing_s: time of regular swings, in which single misses were
    not looked for. skew: third moment of the residuals, skew_p the probability of one so negative
    by chance, skew_share the misses that would explain the noise.
    """

    name: str
    idle: bool
    seconds: float
    cycles: float
    speed_rpm: float
    interval_s: float
    noise_rpm: float
    pulse_z: float
    drop_rpm: float
    pulse_rpm: float
    scatter: float
    pulses: Pulses
    evidence: MissEvidence
    pulse_times: FloatArray
    line_ratio: float
    line_p: float
    line_share: float
    line_cells: int
    line_least: float
    line_floor: float
    floor_cells: int
    blind_share: float
    swing_s: float
    skew: float
    skew_p: float
    skew_share: float


def examine(part: ClassInput, *, cylinders: int) -> ClassResult | None:
    """Whiten one class, look for pulses and lines; None where it is too short or has no noise."""
    logged_step = quantisation_step(part.speed_rpm)
    rounded = is_rounded(part, logged_step)
    error = rounding_error(part, logged_step)
    part, block = averaged(part, cylinders, logged_step)
    step = np.diff(part.time_s)
    inside = step[~part.starts[1:]]
    if inside.size < 40:
        return None
    interval = float(np.median(inside))
    order = model_order(interval)
    # Rounding of averaged rows is taken as fully dependent: a slow speed rounds alike.
    white = whiten(part.speed_rpm, starts=part.starts, time_s=part.time_s, order=order,
                   rounding_rpm=error, step_rpm=rounded_alike(part, logged_step))  # fmt: skip
    if white is None:
        return None
    speed = float(np.median(part.speed_rpm))
    cycle_s = 120.0 / speed
    firing_s = cycle_s / cylinders
    templates = miss_templates(
        coefficients=white.coefficients, interval_s=interval,
        averaging_s=averagings(cycle_s, cylinders, block, interval),
    )  # fmt: skip
    white = unfloored(white, templates)
    coarse = logged_step > COARSE_STEP_RPM and part.drop_rpm < LEAST_STEPS * logged_step
    swing = swinging(part)
    single = replace(white, residual=np.where(swing | levelled(part), np.nan, white.residual))
    seen = np.full_like(white.residual, np.nan) if coarse else single.residual
    noise = float(np.median(white.sigma))
    evidence = miss_evidence(seen, templates, drop=part.drop_rpm / white.sigma,
                             interval_s=interval, speed_rpm=speed,
                             faint=ROUNDED_FAINT if rounded else 0.0)  # fmt: skip
    own = _templates_seen(templates, evidence)
    norm = float(np.mean(np.linalg.norm(own, axis=1)))
    pulses = find_pulses(single, templates, interval_s=interval)
    size = white.sigma[pulses.fall_rows] / norm * pulses.fall_heights
    fits = (size > PULSE_RANGE[0] * part.drop_rpm) & (size < PULSE_RANGE[1] * part.drop_rpm)
    rise_fits = pulses.rise_heights * noise / norm > PULSE_RANGE[0] * part.drop_rpm
    pulses = Pulses(pulses.fall_rows[fits], pulses.fall_heights[fits],
                    pulses.rise_heights[rise_fits], pulses.expected)  # fmt: skip
    seconds = float(inside.sum())
    swing_s = float(inside[swing[1:][~part.starts[1:]]].sum())
    scatter = noise / part.drop_rpm * np.sqrt(firing_s / interval)
    (ratio, p, share, cells, blind), (floor, floor_cells) = _lines(
        part, white, swing, cylinders, interval, noise, block
    )
    if logged_step > COARSE_STEP_RPM:
        floor_cells = 0  # the phase is the speed's integral, and drifts with its rounding
    even = np.full_like(seen, np.nan) if rounded else seen
    return ClassResult(
        name=part.name, idle=part.idle, seconds=seconds, cycles=seconds / cycle_s,
        speed_rpm=speed, interval_s=interval, noise_rpm=noise,
        pulse_z=part.drop_rpm * norm / noise, drop_rpm=part.drop_rpm,
        pulse_rpm=float(np.median(size[fits])) if fits.any() else 0.0, scatter=float(scatter),
        pulses=pulses,
        evidence=replace(evidence, loads=evidence.loads + WANDER_LOADS * _wanders(part)),
        pulse_times=part.time_s[pulses.fall_rows], line_ratio=ratio, line_p=p,
        line_share=share, line_cells=cells, line_least=least_line_share(cylinders),
        line_floor=floor, floor_cells=floor_cells, blind_share=blind, swing_s=swing_s, **_skewness(
            even, own, drop=part.drop_rpm / noise, cycles=seconds / cycle_s),
    )  # fmt: skip


def averagings(
    cycle_s: float, cylinders: int, block_s: float, interval_s: float
) -> tuple[float, float, float]:
    """Times over which a controller may average the speed: the last firing, turn or two turns.

    Never less than the rows' own averaging. A turn that is shorter than a row shows there as a
    firing does, and both are looked for as one.
    """
    firing, turn, cycle = (max(cycle_s * x, block_s) for x in (1.0 / cylinders, 0.5, 1.0))
    return (turn if turn < interval_s else firing), turn, cycle


def _templates_seen(templates: FloatArray, evidence: MissEvidence) -> FloatArray:
    """Pick the templates of the averaging that falls show: two turns where it fits them better."""
    fits = evidence.falls.max(axis=(1, 2))
    by_averaging = templates.reshape(fits.size, -1, templates.shape[1])
    long = fits[-1] > fits[:-1].max() + LONG_MEAN
    return (by_averaging[-1:] if long else by_averaging[:-1]).reshape(-1, templates.shape[1])


def _wanders(part: ClassInput) -> bool:
    low, middle, high = np.quantile(part.speed_rpm, [0.05, 0.5, 0.95])
    return bool(part.idle and high - low > WANDER_SHARE * middle)


def _skewness(
    residual: FloatArray, templates: FloatArray, *, drop: float, cycles: float
) -> dict[str, float]:
    """Skewness of the residuals and what it means as a share of misses.

    Misses of one in ten to one in three are too many for single pulses and too random for a
    line, but they only pull down. Under noise that is as often up as down, the sum of cubes over
    the root of the sum of sixth powers is standard normal (sign symmetry). The share p follows
    twice from the moments of a Bernoulli train: from the variance p (1 - p) and the expected
    ``drop`` (deviations), and from the skewness (1 - 2p) / sqrt(p (1 - p)), which needs no size;
    the lower is taken, for other noise raises both.
    """
    z = np.clip(residual[np.isfinite(residual)], -SKEW_CLIP, SKEW_CLIP)
    if z.size == 0:
        return {"skew": 0.0, "skew_p": 1.0, "skew_share": 0.0}
    z = z - z.mean()
    cube = z**3
    variance = float(np.mean(z * z))
    t = float(cube.sum() / np.sqrt((cube * cube).sum() + 1e-300))
    skew = float(cube.mean()) / max(variance**1.5, 1e-300)
    squares = float(np.mean((templates**2).sum(axis=1)))
    cubes = float(np.mean((templates**3).sum(axis=1)))
    product = min(0.25, float((z * z).sum()) / max(squares * drop**2 * cycles, 1e-9))
    by_size = 0.5 - float(np.sqrt(0.25 - product))
    shape = abs(skew) * squares**1.5 / max(cubes, 1e-9) * np.sqrt(cycles / z.size)
    by_shape = 0.5 * (1.0 - float(shape / np.sqrt(4.0 + shape * shape)))
    share = min(by_size, by_shape)
    if skew > 0:
        # A cylinder that fires now and then gives rises: the same picture upside down.
        return {"skew": skew, "skew_p": float(ndtr(-t)), "skew_share": 1.0 - share}
    return {"skew": skew, "skew_p": float(ndtr(t)), "skew_share": share}


def least_line_share(cylinders: int) -> float:
    """Share of a dead cylinder's line that healthy engines of so many cylinders stay below."""
    return LEAST_LINE_SHARE * float(np.sqrt(cylinders))


def odd_halves(cylinders: int) -> list[int]:
    """Odd half orders below the firing order: those a healthy crank does not draw.

    Whole orders are left out of the decision: an eccentric trigger wheel draws them too.
    """
    return list(range(1, max(cylinders, 2), 2))


def _lines(
    part: ClassInput,
    white: Whitened,
    swing: BoolArray,
    cylinders: int,
    interval: float,
    noise: float,
    block: float,
) -> tuple[tuple[float, float, float, int, float], tuple[float, int]]:
    """F test of the odd half orders; (ratio, p, share of a dead cylinder, cells, blind share).

    And the floor of the half order in the shortest windows as a share of a dead cylinder's line,
    with their number.
    """
    cycles = cycle_phase(part.time_s, part.speed_rpm)
    known, before = np.isfinite(white.residual), white.coefficients
    values = np.clip(np.nan_to_num(white.residual), -LINE_CLIP, LINE_CLIP)
    fine = interval < FINE_ROWS * 120.0 / float(np.median(part.speed_rpm))
    if fine:
        moves = np.diff(part.speed_rpm, prepend=part.speed_rpm[:1])
        moves[part.starts] = 0.0
        noise = max(float(np.std(moves)), 1e-9)
        known, before = ~part.starts, np.ones(1)
        values = np.clip(moves / noise, -LINE_CLIP, LINE_CLIP)
    halves = odd_halves(cylinders)
    best = (0.0, 1.0, 0.0, 0, 1.0)
    step = np.diff(part.time_s)[~part.starts[1:]]
    # A line folds by the mean pace; the median of uneven stamps is off by up to a percent.
    rate = 1.0 / float(np.mean(step[step < LONG_ROWS * interval]))
    spread = float(np.std(step)) / interval
    bare = (0.0, 0)
    tests = 0
    for length in WINDOWS_S:
        starts = windows(part.starts, part.time_s, length)
        lines = order_lines(values, cycles=cycles, time_s=part.time_s, starts=starts,
                            halves=halves)  # fmt: skip
        ends = np.append(starts[1:], values.size)
        speed = np.add.reduceat(part.speed_rpm, starts) / (ends - starts)
        solid = np.add.reduceat(known.astype(np.float64), starts) > 0.6 * (ends - starts)
        solid &= lines.seconds > 0.5 * length
        swings_here = np.add.reduceat(swing.astype(np.float64), starts) > SWING_PART * (
            ends - starts
        )
        use = np.zeros(lines.power.shape, dtype=bool)
        expected = np.zeros_like(lines.power)
        near = BLIND_RESOLUTIONS / np.maximum(lines.seconds, 0.5)
        firing = alias_frequency(speed / 120.0 * cylinders, rate)
        for i, half in enumerate(halves):
            f = speed / 120.0 * half
            seen = alias_frequency(f, rate)
            # Uneven stamps tell a line from its alias; even ones cannot.
            clear = (seen > near) & (np.abs(seen - firing) > near) | (spread > 0.25)
            clear &= (f < 0.5 * rate) | (not fine)
            clear &= ~(swings_here & ((seen < SWING_CLEAR_HZ) | (f > 0.5 * rate)))
            use[i] = solid & clear
            expected[i] = line_amplitude(f, coefficients=before, interval_s=interval,
                                         cycle_s=120.0 / speed,
                                         averaging_s=np.maximum(120.0 / speed / cylinders, block),
                                         drop=part.drop_rpm / noise,
                                         jitter_s=spread * interval) ** 2  # fmt: skip
        blind = 1.0 - float(use[0].sum()) / max(1.0, float(solid.sum()))
        # The half order drifts least, the higher ones add to it where the phase holds.
        for orders in {1, len(halves)}:
            chosen = use & (np.arange(len(halves)) < orders)[:, None]
            cells = int(chosen.sum())
            if cells == 0:
                continue
            tests += 1
            ratio, p = line_test(lines, chosen)
            power, floor = float(lines.power[chosen].sum()), float(lines.floor[chosen].sum())
            scale = max(float(expected[chosen].sum()), 1e-300)
            share = float(np.sqrt(max(power - floor, 0.0) / scale))
            if orders == 1:
                bare = (float(np.sqrt(floor / scale)), cells)
            # What chance adds to the power of so few cells does not count as share.
            sure = floor * (1.0 + LINE_SIGMA / np.sqrt(cells))
            if np.sqrt(max(power - sure, 0.0) / scale) < 0.5 * least_line_share(cylinders):
                p = 1.0
            if p < best[1] or best[3] == 0:
                best = (ratio, min(1.0, p), share, cells, blind)
    return (best[0], min(1.0, best[1] * max(1, tests)), *best[2:]), bare


def line_amplitude(
    frequency_hz: FloatArray,
    *,
    coefficients: FloatArray,
    interval_s: float,
    cycle_s: FloatArray,
    averaging_s: FloatArray,
    drop: float,
    jitter_s: float = 0.0,
) -> FloatArray:
    """Amplitude of a dead cylinder's line in the whitened speed, standard deviations.

    A fall of ``drop`` once in ``cycle_s``, returning with the template's time constant, averaged
    over ``averaging_s`` and passed through the whitening filter. Stamps that scatter by
    ``jitter_s`` each take the rows before out of step with the row itself: of their part
    exp(-(2 pi f jitter)^2) is left (mean of a Gaussian phase, both stamps' scatter). Source:
    Fourier series of a pulse train (twice the pulse's transform over the period).
    """
    f = np.asarray(frequency_hz, dtype=np.float64)
    lags = np.arange(1, coefficients.size + 1)
    turn = np.exp(-2j * np.pi * f[..., None] * interval_s * lags)
    in_step = np.exp(-((2.0 * np.pi * f * jitter_s) ** 2))
    gain = np.abs(1.0 - in_step * (turn @ coefficients))
    response = np.abs(np.sinc(f * averaging_s)) / np.abs(1.0 / TEMPLATE_RETURN_S + 2j * np.pi * f)
    return np.asarray(2.0 / cycle_s * drop * gain * response)
