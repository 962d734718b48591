"""The knee of a heating curve on masses integrated by hand, and dips of slow readings."""

import numpy as np
import pytest

from pipeline.signals import dips
from pipeline.signals.knee import heating_knee


def heated(opens: float, valve_w_k2: float, seconds: int = 900) -> tuple[np.ndarray, np.ndarray]:
    """Own integration of 60 kJ/K under changing power, cooled in proportion above ``opens``."""
    power = 9e3 + 2e3 * np.sin(np.arange(seconds) / 19.0)
    level = np.empty(seconds)
    level[0] = 20.0
    for k in range(seconds - 1):
        out = 30.0 * (level[k] - 20.0) + valve_w_k2 * max(level[k] - opens, 0.0) * 60.0
        level[k + 1] = level[k] + (power[k] - out) / 60e3
    return level, power


@pytest.mark.parametrize("opens", [71.0, 82.0, 92.0])
def test_the_knee_stands_where_the_valve_lifts(opens: float) -> None:
    level, power = heated(opens, 25.0)
    noisy = level + np.random.default_rng(1).normal(0.0, 0.1, level.size)
    knee = heating_knee(level=noisy, good=np.ones(level.size, np.bool_), power=power,
                        lowest=64.0, highest=102.0)  # fmt: skip
    assert knee is not None
    assert knee.level == pytest.approx(opens, abs=1.5)
    assert abs(knee.level - opens) < 1.96 * np.hypot(knee.error, 0.5)


def test_a_curve_that_only_heats_has_no_knee() -> None:
    level, power = heated(300.0, 0.0)
    assert level.max() > 100.0
    assert heating_knee(level=level, good=np.ones(level.size, np.bool_), power=power,
                        lowest=64.0, highest=102.0) is None  # fmt: skip


def test_pulls_whose_heat_goes_elsewhere_are_no_knee() -> None:
    """Heat to the water flattens with load: four times the power gives it half as much each."""
    seconds = np.arange(900)
    power = 9e3 + 2e3 * np.sin(seconds / 19.0)
    for begin in (430, 490):
        power[begin : begin + 12] = 70e3
    into = np.where(power > 20e3, 0.35, 1.0) * power
    level = np.empty(seconds.size)
    level[0] = 20.0
    for k in range(seconds.size - 1):
        level[k + 1] = level[k] + (into[k] - 30.0 * (level[k] - 20.0)) / 60e3
    assert 66.0 < level[430] < 90.0
    assert heating_knee(level=level, good=np.ones(level.size, np.bool_), power=power,
                        lowest=64.0, highest=102.0) is None  # fmt: skip


def test_too_short_or_too_noisy_a_curve_has_no_knee() -> None:
    level, power = heated(82.0, 25.0)
    good = np.ones(level.size, np.bool_)
    short = int(np.argmax(level > 80.0))
    rough = level + np.random.default_rng(2).normal(0.0, 2.0, level.size)
    for curve, n in ((level, short), (rough, level.size)):
        assert heating_knee(level=curve[:n], good=good[:n], power=power[:n],
                            lowest=64.0, highest=102.0) is None  # fmt: skip


def test_dips_are_filled_and_falls_are_seen() -> None:
    climb = np.linspace(20.0, 90.0, 141)
    dipped = climb.copy()
    dipped[60:66] -= 7.0
    np.testing.assert_array_equal(dips.filled(climb, 31), climb)
    rim = dips.filled(dipped, 31)
    assert np.all(rim >= dipped)
    assert np.max(np.abs(rim - climb)) <= 3.5  # filled to the lower rim, 7 samples apart
    assert not dips.sudden_falls(dipped, drop=18.0, within=12).any()
    slow = np.concatenate([climb, np.linspace(90.0, 60.0, 60)])
    assert not dips.sudden_falls(slow, drop=18.0, within=12).any()
    dry = np.concatenate([climb, [np.nan, 66.0, 60.0]])
    assert np.flatnonzero(dips.sudden_falls(dry, drop=18.0, within=12)).tolist() == [142, 143]
