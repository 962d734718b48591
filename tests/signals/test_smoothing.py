import numpy as np
import pytest

from pipeline.signals import smoothing


def test_slope_of_a_line_with_holes() -> None:
    time = np.sort(np.random.default_rng(3).uniform(0.0, 10.0, 200))
    values = 5.0 - 2.5 * time
    values[::7] = np.nan
    slope = smoothing.moving_slope(time, values, seconds=1.0)
    assert slope[np.isfinite(slope)] == pytest.approx(-2.5)
    assert np.isfinite(slope).mean() > 0.9


def test_mean_leaves_out_what_is_missing() -> None:
    time = np.arange(5.0)
    values = np.array([1.0, np.nan, 3.0, np.nan, np.nan])
    mean = smoothing.moving_mean(time, values, seconds=2.0)
    assert mean[:4] == pytest.approx([1.0, 2.0, 3.0, 3.0])
    assert np.isnan(mean[4])


def test_median_of_three_removes_a_lone_spike() -> None:
    values = np.array([1.0, 1.0, 9.0, 1.0, 2.0])
    assert smoothing.median_of_three(values).tolist() == [1.0, 1.0, 1.0, 2.0, 2.0]


def test_row_seconds_add_up() -> None:
    time = np.arange(0.0, 10.0, 0.04)
    assert smoothing.row_seconds(time).sum() == pytest.approx(10.0, abs=0.05)


def test_a_row_stands_for_half_the_way_to_each_neighbour_but_for_no_gap() -> None:
    seconds = smoothing.row_seconds(np.array([0.0, 0.1, 0.4, 60.0, 60.2]))
    assert seconds == pytest.approx([0.1, 0.2, 1.0, 1.0, 0.2])
