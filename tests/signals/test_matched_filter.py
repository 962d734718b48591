"""Noise that depends on the interval, and floors of rounding that scores take back."""

import numpy as np

from pipeline.signals.matched_filter import Whitened, miss_templates, unfloored, whiten
from pipeline.signals.miss_likelihood import chance, miss_evidence

TEMPLATES = miss_templates(coefficients=np.array([0.6]), interval_s=0.04, averaging_s=(0.02, 0.04))


def starts(n: int) -> np.ndarray:
    return np.arange(n) == 0


def test_noise_that_grows_with_the_interval_itself_is_learnt():
    # A mean over a turn shares firings with the row before it: half the interval, half the noise.
    rng = np.random.default_rng(3)
    step = rng.uniform(0.5, 1.5, 3000)
    speed = 2000.0 + 10.0 * step * rng.standard_normal(step.size)
    white = whiten(speed, starts=starts(step.size), time_s=np.cumsum(0.02 * step), order=4)
    assert white is not None
    known = np.isfinite(white.residual)
    short, long = known & (step < 0.7), known & (step > 1.3)
    assert 0.9 < np.std(white.residual[short]) / np.std(white.residual[long]) < 1.1


def test_floors_are_taken_back_as_far_as_scores_allow_and_misses_do_not_matter():
    rng = np.random.default_rng(4)
    residual = 0.7 * rng.standard_normal(3000)
    missed = residual.copy()
    for row in range(100, 2900, 140):
        missed[row : row + TEMPLATES.shape[1]] -= 5.0 * TEMPLATES[1]
    scales = [
        float(unfloored(Whitened(x, np.ones(x.size), np.array([0.6])), TEMPLATES).sigma[0])
        for x in (residual, missed)
    ]
    assert 0.65 < scales[0] < 0.8
    assert abs(scales[1] - scales[0]) < 0.05
    # Wide tails of the rises keep the floor, where it is at work at all.
    wide = residual.copy()
    wide[::60] += 2.5
    assert float(unfloored(Whitened(wide, np.ones(wide.size), np.array([0.6])),
                           TEMPLATES).sigma[0]) > 0.9  # fmt: skip
    plain = Whitened(residual / 0.7, np.ones(residual.size), np.array([0.6]))
    assert unfloored(plain, TEMPLATES) is plain


def test_a_crowd_of_faint_falls_is_no_ground_where_rounding_shows():
    residual = np.random.default_rng(5).standard_normal(1500)
    for row in range(20, 1480, 25):
        residual[row : row + TEMPLATES.shape[1]] -= 2.2 * TEMPLATES[1]
    found = [
        chance([miss_evidence(residual, TEMPLATES, drop=np.full(1500, 3.0), interval_s=0.04,
                              speed_rpm=2400.0, faint=faint)])
        for faint in (0.0, 4.0)
    ]  # fmt: skip
    assert found[0] < 0.01 < found[1]


def test_steps_of_rounding_are_not_left_out_of_the_model_as_loads():
    # A slow speed in coarse steps: most rows repeat the last, and what moves are the steps.
    rng = np.random.default_rng(6)
    speed = np.zeros(3000)
    for k in range(1, speed.size):
        speed[k] = 0.9 * speed[k - 1] + 1.3 * rng.standard_normal()
    rounded = np.round(speed / 10.0) * 10.0
    time = np.arange(speed.size) * 0.04
    seen = [
        whiten(rounded, starts=starts(speed.size), time_s=time, order=6, rounding_rpm=floor)
        for floor in (0.0, 4.0)
    ]
    assert seen[0] is not None and seen[1] is not None
    centred = rounded - rounded.mean()
    best = np.linalg.lstsq(np.stack([centred[5 - k : -1 - k] for k in range(6)], axis=1),
                           centred[6:], rcond=None)[0]  # fmt: skip
    assert np.abs(seen[1].coefficients - best).max() < 0.02
    assert np.abs(seen[0].coefficients - best).max() > 0.1
