"""A sine of known size and pace comes back; what leads is told from what follows."""

import numpy as np
import pytest

from pipeline.signals.hunting import moving_mean, relation, swings

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
    mean = moving_mean(time, time**2, 2.0)
    assert mean.tolist() == pytest.approx([0.5, 5 / 3, 14 / 3, 29 / 3, 50 / 3, 20.5])
