"""First-order lags on uneven stamps against closed forms and a general library."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lsim

from pipeline.signals.lag import at_source, first_order, look_back, undo_first_order, undone_age


def uneven(rng: np.random.Generator, n: int = 400) -> np.ndarray:
    return np.cumsum(rng.uniform(0.02, 0.12, n))


@pytest.mark.parametrize("tau", [0.03, 0.1, 0.4])
def test_ramp_follows_behind_by_the_time_constant(tau: float) -> None:
    # Textbook: the answer to a ramp is the ramp, tau late, once exp(-t/tau) is gone.
    time = uneven(np.random.default_rng(1))
    lagged = first_order(time, time, tau)
    assert lagged[150:] == pytest.approx(time[150:] - tau, abs=1e-6)


def test_agrees_with_a_general_library_for_straight_inputs() -> None:
    # scipy.signal.lsim integrates the same system exactly for inputs straight between even stamps.
    time = np.arange(300) * 0.04
    x = np.sin(time * 3.0) + 0.3 * (time > 5)
    _, expected, _ = lsim(([1.0], [0.1, 1.0]), x - x[0], time)
    assert first_order(time, x, 0.1) == pytest.approx(np.asarray(expected) + x[0], abs=1e-9)


@pytest.mark.parametrize(("tau", "rise"), [(0.05, 0.110), (0.1, 0.220), (0.3, 0.659)])
def test_rise_from_10_to_90_percent(tau: float, rise: float) -> None:
    # algebra: ln 9 times the time constant
    time = np.arange(0.0, 4.0, 0.0005)
    y = first_order(time, (time > 0.5).astype(float), tau)
    assert np.interp(0.9, y, time) - np.interp(0.1, y, time) == pytest.approx(rise, abs=2e-3)


@pytest.mark.parametrize(("tau", "share"), [(0.05, 0.982), (0.1, 0.865), (0.3, 0.487)])
def test_height_of_a_short_lean_pulse(tau: float, share: float) -> None:
    # algebra: 1 - exp(-0.2 s / tau)
    time = np.arange(0.0, 2.0, 0.0005)
    pulse = ((time > 0.5) & (time <= 0.7)).astype(float)
    assert first_order(time, pulse, tau).max() == pytest.approx(share, abs=3e-3)


@given(st.floats(0.01, 0.5), st.integers(0, 50))
def test_what_was_lagged_comes_back_in_its_own_time(tau: float, seed: int) -> None:
    time = uneven(np.random.default_rng(seed), 200)
    x = 1.0 + 0.2 * time
    back = undo_first_order(time, first_order(time, x, tau), tau)
    expected = look_back(time, x, time - undone_age(time, tau))
    assert back[5:] == pytest.approx(expected[5:], abs=1e-6)


def test_a_long_rest_costs_no_time_and_no_value() -> None:
    time = np.arange(20000) * 0.04
    y = first_order(time, np.r_[1.0, np.zeros(19999)], 0.2)
    assert y[0] == 1.0
    assert np.abs(y[1000:]).max() < 1e-12


def test_readings_go_back_to_where_they_came_from() -> None:
    """Own arithmetic: y(t) = t - late(t) is the time each reading was made at."""
    time = np.arange(0.0, 20.0, 0.04)
    late = 0.2 + 0.1 * np.sin(time)
    seen = np.where(np.arange(time.size) % 3 == 1, np.nan, time - late)
    back = at_source(time, seen, late)
    inner = (time > 0.5) & (time < 19.0)
    np.testing.assert_allclose(back[inner], time[inner], atol=1e-9)
    np.testing.assert_allclose(at_source(time, time - 0.3, 0.3)[inner], time[inner], atol=1e-9)
