"""A sine of known size and pace comes back; what leads is told from what follows."""

import numpy as np
import pytest

from pipeline.signals.hunting import relation, swings
from pipeline.signals.smoothing import moving_mean

TIME = np.sort(np.random.default_rng(4).uniform(0.0, 40.0, 1000))
LIMITS = {"least_rpm": 20.0, "low_hz": 0.1, "high_hz": 1.5, "least_periods": 3.0}


def test_size_pace_and_number_of_swings() -> None:
    speed = 850.0 + 60.0 * np.sin(2 * np.pi * 0.4 * TIME)
    (found,) = swings(TIME, speed, **LIMITS)
    assert found.frequency_hz == pytest.approx(0.4, rel=0.03)
    assert found.amplitude_rpm == pytest.approx(60.0, rel=0.1)
    assert found.periods == pytest.approx(16.0, abs=1.0)  # 40 s at 0.4 Hz
    assert found.start_s < 2.0
    assert found.end_s > 38.0


def triangle(angle: np.ndarray, rise: float) -> np.ndarray:
    """Wave between -1 and 1 that rises for this share of its period."""
    at = (angle / (2 * np.pi)) % 1.0
    return 2.0 * np.where(at < rise, at / rise, (1.0 - at) / (1.0 - rise)) - 1.0


WAVES = {
    "sine": np.sin,
    "triangle": lambda angle: triangle(angle, 0.5),
    "saw-tooth": lambda angle: triangle(angle, 0.75),
}


@pytest.mark.parametrize("rate", [8, 25])
@pytest.mark.parametrize("wave", list(WAVES))
def test_the_limit_holds_whatever_the_wave_the_pace_and_the_rate(wave: str, rate: int) -> None:
    rng = np.random.default_rng(rate)
    limits = {**LIMITS, "least_rpm": 40.0}
    for hz in (0.1, 0.3, 0.7, 1.5):
        time = np.sort(np.arange(0, 60, 1 / rate) + rng.uniform(-0.2, 0.2, 60 * rate) / rate)
        shape = WAVES[wave](2 * np.pi * hz * time)
        noise = rng.normal(0, 4, time.size)
        assert swings(time, 850 + 50 * shape + noise, **limits), (wave, hz)
        assert not swings(time, 850 + 33 * shape + noise, **limits), (wave, hz)


@pytest.mark.parametrize("rate", [8, 25])
def test_what_rings_out_or_is_switched_or_wanders_is_no_hunting(rate: int) -> None:
    rng = np.random.default_rng(rate)
    limits = {**LIMITS, "least_rpm": 40.0}
    time = np.arange(0, 60, 1 / rate)
    rings, dips = np.zeros(time.size), np.zeros(time.size)
    for start in np.arange(3.0, 60.0, 11.0):
        late = np.maximum(time - start, 0.0)
        rings += np.where(late > 0, 220 * np.exp(-0.5 * late) * np.sin(2 * np.pi * 0.8 * late), 0)
    for start in np.arange(3.0, 60.0, 6.0):
        late = np.maximum(time - start, 0.0)
        dips -= np.where(late > 0, 120.0 * np.exp(-late / 0.6), 0.0)
    levels = 60.0 * np.sign(np.sin(2 * np.pi * time / 8.0))
    # Noise through the speed control: excursions of 45 rpm and more that keep no pace.
    wander, pace = np.zeros(time.size), 2 * np.pi * 0.5 / rate
    push = rng.normal(0, 1, time.size)
    for k in range(2, time.size):
        wander[k] = (2 - pace) * wander[k - 1] - (1 - pace + pace**2) * wander[k - 2]
        wander[k] += push[k]
    wander *= 20.0 / wander.std()
    for disturbed in (rings, dips, levels, wander):
        assert swings(time, 850 + disturbed + rng.normal(0, 4, time.size), **limits) == []


@pytest.mark.parametrize("rpm", [0.0, 15.0])
def test_small_swings_are_none(rpm: float) -> None:
    assert swings(TIME, 850.0 + rpm * np.sin(2 * np.pi * 0.4 * TIME), **LIMITS) == []


def test_a_driver_keeps_no_pace() -> None:
    edges = np.cumsum(np.geomspace(4.4, 0.4, 20))
    speed = 900.0 + 80.0 * (np.searchsorted(edges, TIME) % 2)
    assert swings(TIME, speed, **LIMITS) == []


@pytest.mark.parametrize("ahead_deg", [-60.0, 0.0, 90.0])
def test_who_leads(ahead_deg: float) -> None:
    angle = 2 * np.pi * 0.5 * TIME
    leader = 3.0 * np.cos(angle + np.radians(ahead_deg)) + 0.1 * TIME
    together, phase, size = relation(TIME, leader, 40.0 * np.cos(angle) + 850.0, 0.5)
    assert together == pytest.approx(1.0, abs=0.02)
    assert phase == pytest.approx(ahead_deg, abs=2.0)
    assert size == pytest.approx(3.0, rel=0.02)


def test_mean_over_half_the_window_on_either_side() -> None:
    time = np.arange(6.0)
    mean = moving_mean(time, time**2, seconds=2.0)
    assert mean.tolist() == pytest.approx([0.5, 5 / 3, 14 / 3, 29 / 3, 50 / 3, 20.5])
