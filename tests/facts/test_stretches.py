"""Steady and misfire stretches as other analyses see them."""

import numpy as np
import pytest

from pipeline.registry import load_registry
from pipeline.runner import FactStore, Timings
from pipeline.session import NotAvailableError
from tests.analysis.roughness_logs import idle, session


def store(log):
    return FactStore(log, load_registry(), Timings())


def test_idle_is_one_stretch_without_its_edges():
    time, speed = idle(seconds=60.0)
    steady = store(session(time, engine_speed=speed)).get("steady_stretches", optional=False)
    assert steady.refusal == ""
    assert set(steady.band) == {0}
    assert steady.starts.sum() == 1
    assert 50 < steady.seconds(time, idle=True) < 60
    assert steady.seconds(time, idle=False) == 0.0


def test_held_speed_counts_its_own_readings():
    time, speed = idle(rate=40.0, seconds=60.0)
    held = np.repeat(speed[::4], 4)[: speed.size]
    steady = store(session(time, engine_speed=held)).get("steady_stretches", optional=False)
    assert steady.held == 4
    assert steady.effective_hz == pytest.approx(10, rel=0.1)
    assert steady.refusal == ""


def test_ramps_are_no_steady_driving():
    time = np.arange(0, 60, 0.05)
    ramp = session(time, engine_speed=1500 + 80 * time, vehicle_speed=30 + time,
                   throttle_position=np.full(time.size, 30.0))  # fmt: skip
    steady = store(ramp).get("steady_stretches", optional=False)
    assert (steady.band > 0).sum() < 0.2 * time.size


def test_misfire_stretches_hold_the_misses_and_are_empty_when_healthy():
    time, speed = idle(0.05)
    found = store(session(time, engine_speed=speed)).get("misfire_stretches", optional=False)
    assert found.stretches
    for start, end, strength in found.stretches:
        assert start < end
        assert 0.0 < strength <= 1.0
    time, speed = idle()
    quiet = store(session(time, engine_speed=speed)).get("misfire_stretches", optional=False)
    assert quiet.stretches == ()


def test_too_slow_a_log_gives_no_misfire_stretches():
    time = np.arange(0, 120, 1.0)
    speed = 850 + np.random.default_rng(0).normal(0, 5, time.size)
    with pytest.raises(NotAvailableError, match="times a second"):
        store(session(time, engine_speed=speed)).get("misfire_stretches", optional=False)
