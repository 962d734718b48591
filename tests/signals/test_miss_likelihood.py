"""The likelihood of rare misses: what it makes of plain noise, of pulses and of wide noise."""

import numpy as np
import pytest

from pipeline.signals.matched_filter import miss_templates
from pipeline.signals.miss_likelihood import (
    SIZE_WEIGHTS,
    SIZES,
    MissEvidence,
    chance,
    log_mean,
    miss_evidence,
    smallest,
)

RATE, SPEED, DROP = 10.0, 800.0, 7.5


def evidence(residual: np.ndarray, drop: float = DROP) -> MissEvidence:
    templates = miss_templates(coefficients=np.array([0.6]), interval_s=1 / RATE,
                               averaging_s=(0.04, 0.08))  # fmt: skip
    return miss_evidence(residual, templates, drop=np.full(residual.size, drop),
                         interval_s=1 / RATE, speed_rpm=SPEED)  # fmt: skip


def with_pulses(residual: np.ndarray, rows: list[int], sign: float) -> np.ndarray:
    out = residual.copy()
    template = miss_templates(coefficients=np.array([0.6]), interval_s=1 / RATE,
                              averaging_s=(0.04,))[1]  # fmt: skip
    for row in rows:
        out[row : row + template.size] += sign * DROP * template
    return out


def test_gaussian_noise_passes_the_call_less_often_than_claimed():
    noise = np.random.default_rng(5).standard_normal((150, 600))
    assert sum(chance([evidence(x)]) < 0.01 for x in noise) <= 2


def test_falls_speak_rises_and_single_dips_do_not():
    noise = np.random.default_rng(6).standard_normal(600)
    rows = [80, 210, 330, 470]
    assert chance([evidence(with_pulses(noise, rows, -1.0))]) < 1e-3
    assert chance([evidence(with_pulses(noise, rows, 1.0))]) == 1.0
    single = [
        chance([evidence(with_pulses(x, rows[:1], -1.0))])
        for x in np.random.default_rng(60).standard_normal((40, 600))
    ]
    assert np.mean(np.array(single) < 0.01) <= 0.15


def test_noise_that_rises_as_much_as_it_falls_is_forgiven():
    rng = np.random.default_rng(7)
    wide = rng.standard_t(4.0, (40, 600))
    called = sum(chance([evidence(x / 1.4)]) < 0.01 for x in wide)
    assert called <= 4  # of those the session's answer asks more falls than rises, too
    falls = sum(chance([evidence(-np.abs(x) / 1.4)]) < 0.01 for x in wide)
    assert falls > 3 * called


def test_limit_falls_with_time_watched_and_needs_a_visible_miss():
    noise = np.random.default_rng(8).standard_normal(4800)
    short, long = (smallest([evidence(noise[:n])], 0.008, 0.95) for n in (600, 4800))
    assert short is not None and long is not None
    assert long < 0.4 * short
    assert smallest([evidence(noise[:600], drop=0.3)], 0.008, 0.95) is None


def test_log_mean_of_equal_values_is_the_value():
    assert log_mean(np.full((2, len(SIZES), 4), 700.0)) == pytest.approx(700.0)


def test_weights_of_sizes_are_probabilities():
    assert len(SIZES) == len(SIZE_WEIGHTS)
    assert sum(SIZE_WEIGHTS) == pytest.approx(1.0)


def test_loads_that_leave_ask_for_more_evidence():
    noise = np.random.default_rng(5).normal(0, 1, 600)
    rows = np.arange(60, 560, 100)
    quiet = noise.copy()
    for row in rows:
        quiet[row : row + 2] += [-5.5, -3.0]
    loaded = quiet.copy()
    for row in rows[:3] + 50:  # a load goes off: a rise that goes on rising
        loaded[row : row + 9] += [5.0, 4.5, 3.5, 3.0, 3.0, 3.0, 3.0, 2.5, 2.0]
    assert evidence(quiet).loads == 0
    assert evidence(loaded).loads >= 2
    assert chance([evidence(loaded)]) > 10 * chance([evidence(quiet)])


def test_a_dip_of_another_shape_is_no_miss():
    # As high where the filter looks, but with as much beside it.
    noise = np.random.default_rng(6).normal(0, 1, 600)
    odd, even = noise.copy(), noise.copy()
    for row in range(60, 560, 100):
        even[row : row + 2] += [-5.5, -3.0]
        odd[row : row + 5] += [-5.5, -3.0, 5.0, -5.0, 5.0]
    assert chance([evidence(even)]) < 0.01
    assert chance([evidence(odd)]) > 100 * chance([evidence(even)])
