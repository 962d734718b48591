"""Cranking evenness: a cylinder that brakes less shows at half the crank's order."""

import numpy as np
import pytest

from pipeline.signals.cranking import evenness


def cranking(weak: float, *, rate=20.0, seconds=8.0, seed=1, cylinders=4, rpm=200.0):
    """Speed of a starter that ``cylinders`` brake in turn, the first by 1 - weak."""
    rng = np.random.default_rng(seed)
    time = (
        np.arange(0.0, seconds, 1.0 / rate) + rng.uniform(-0.1, 0.1, round(seconds * rate)) / rate
    )
    # The speed is that over the last compression: a staircase, one step a cylinder.
    which = np.floor(time * rpm / 120.0 * cylinders).astype(int) % cylinders
    speed = rpm * (1.0 + 0.05 * weak * (which == 0) - 0.02 * np.exp(-time))
    return time, speed + rng.normal(0.0, 1.0, time.size)


@pytest.mark.parametrize(("rate", "cylinders"), [(10.0, 4), (20.0, 4), (50.0, 6), (50.0, 3)])
def test_a_weak_cylinder_shows_and_equal_ones_do_not(rate, cylinders):
    weak = evenness(*cranking(0.5, rate=rate, cylinders=cylinders), cylinders=cylinders)
    even = evenness(*cranking(0.0, rate=rate, cylinders=cylinders), cylinders=cylinders)
    assert weak is not None and even is not None
    assert weak.p < 1e-3
    assert weak.low_pct > 0.3
    assert even.p > 1e-3
    assert even.high_pct < weak.amplitude_pct
    assert weak.cycles == pytest.approx(8.0 * 200.0 / 120.0, rel=0.1)


def test_chance_is_even_without_a_line():
    p = []
    for seed in range(150):
        time, speed = cranking(0.0, seed=seed)
        noise = np.random.default_rng(900 + seed).normal(0.0, 2.0, time.size)
        got = evenness(time, 200.0 + noise + 0.0 * speed, cylinders=4)
        assert got is not None
        p.append(got.p)
    assert 0.4 < np.mean(p) < 0.6
    assert np.mean(np.array(p) < 0.1) == pytest.approx(0.1, abs=0.07)


def test_short_or_blind_cranking_is_not_judged():
    time, speed = cranking(0.5, seconds=1.2)
    assert evenness(time, speed, cylinders=4) is None
    time = np.arange(0.0, 8.0, 0.5)  # 2 Hz: 240 rpm's half order falls on the rate
    assert evenness(time, np.full(time.size, 240.0), cylinders=4) is None
