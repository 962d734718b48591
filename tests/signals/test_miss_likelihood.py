"""The likelihood of rare misses: what it makes of plain noise, of pulses and of wide noise."""

import numpy as np
import pytest

from pipeline.signals.matched_filter import miss_templates
from pipeline.signals.miss_likelihood import MissEvidence, chance, log_mean, miss_evidence, smallest

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
    assert chance([evidence(with_pulses(noise, rows[:1], -1.0))]) > 0.01


def test_noise_that_rises_as_much_as_it_falls_is_forgiven():
    rng = np.random.default_rng(7)
    wide = rng.standard_t(4.0, (40, 600))
    assert sum(chance([evidence(x / 1.4)]) < 0.01 for x in wide) <= 1


def test_limit_falls_with_time_watched_and_needs_a_visible_miss():
    noise = np.random.default_rng(8).standard_normal(4800)
    short, long = (smallest([evidence(noise[:n])], 0.008, 0.95) for n in (600, 4800))
    assert short is not None and long is not None
    assert long < 0.4 * short
    assert smallest([evidence(noise[:600], drop=0.3)], 0.008, 0.95) is None


def test_log_mean_of_equal_values_is_the_value():
    assert log_mean(np.full((2, 3, 4), 700.0)) == pytest.approx(700.0)
