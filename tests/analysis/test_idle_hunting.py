"""Idle hunting: three kinds by what leads, silence for loads that switch and rough cylinders."""

import numpy as np
import pytest

from pipeline.signals.hunting import relation, swings
from tests.analysis.roughness_logs import idle, run, session

RATE = 20.0


def hunting(amplitude=80.0, hz=0.5, seconds=60.0):
    time = np.arange(0, seconds, 1 / RATE)
    wave = amplitude * np.sin(2 * np.pi * hz * time)
    noise = np.random.default_rng(0).normal(0, 4, time.size)
    return time, 850 + wave + noise, wave / amplitude


def leading(time, hz, degrees, centre, size):
    return centre + size * np.sin(2 * np.pi * hz * time + np.radians(degrees))


def test_air_control_that_leads_is_named():
    time, speed, _ = hunting()
    log = session(time, engine_speed=speed, idle_air_control=leading(time, 0.5, 90, 30, 6),
                  injector_pulse_width=np.full(time.size, 2.5))  # fmt: skip
    (finding,) = run(log, "idle_hunting").findings
    assert finding.severity == "watch"
    assert "gains" in finding.likely_causes[0].cause
    assert finding.evidence["frequency"].value == pytest.approx(0.5, rel=0.05)
    assert finding.evidence["swing"].value == pytest.approx(80, rel=0.1)
    assert finding.evidence["air_control_leads_by"].value == pytest.approx(90, abs=10)


def test_mixture_that_leads_is_named():
    time, speed, _ = hunting()
    lam = leading(time, 0.5, 120, 1.0, 0.08)
    log = session(time, engine_speed=speed, **{"lambda": lam},
                  injector_pulse_width=np.full(time.size, 2.5))  # fmt: skip
    (finding,) = run(log, "idle_hunting").findings
    assert "closed-loop" in finding.likely_causes[0].cause


def test_fuel_cut_and_restore_is_named():
    time = np.arange(0, 60, 1 / RATE)
    saw = (time % 2.0) / 2.0
    speed = 900 + 240 * np.where(saw < 0.7, saw / 0.7, (1 - saw) / 0.3)
    pulse = np.where(saw < 0.7, 2.5, 0.0)
    log = session(time, engine_speed=speed, injector_pulse_width=pulse)
    (finding,) = run(log, "idle_hunting").findings
    assert "too much idle air" in finding.likely_causes[0].cause


def test_shifting_down_while_coasting_is_no_hunting_where_no_vehicle_speed_is_logged():
    time = np.arange(0, 60, 1 / RATE)
    saw = time % 2.0 / 2.0
    teeth = 180.0 * np.where(saw < 0.2, 2.0 * saw / 0.2 - 1.0, 1.0 - 2.0 * (saw - 0.2) / 0.8)
    coast = (time > 20) & (time < 30)
    falling = np.interp(time, [20, 30], [1750.0, 1000.0])
    for level, kinds in ((falling, []), (np.full(time.size, 1100.0), ["idle_hunting"])):
        speed = np.where(coast, level + teeth, 880.0)
        log = session(time, engine_speed=speed, injector_pulse_width=np.full(time.size, 2.5))
        del log.channels["vehicle_speed"]
        assert [f.kind for f in run(log, "idle_hunting").findings] == kinds


@pytest.mark.parametrize("hz", [0.02, 3.0])
def test_slower_and_faster_is_no_hunting(hz):
    time, speed, _ = hunting(hz=hz)
    assert run(session(time, engine_speed=speed), "idle_hunting").findings == []


def test_small_swings_and_two_levels_are_no_hunting():
    time, small, _ = hunting(amplitude=25.0)
    assert run(session(time, engine_speed=small), "idle_hunting").status == "clear"
    levels = 650.0 + 195.0 * (np.floor(time / 13) % 2)  # a load that is switched: two levels
    assert run(session(time, engine_speed=levels), "idle_hunting").findings == []


@pytest.mark.parametrize("share", [0.0, 0.3, 1.0])
def test_a_rough_cylinder_is_no_hunting(share):
    time, speed = idle(share)
    assert run(session(time, engine_speed=speed), "idle_hunting").findings == []


def test_swings_are_counted_and_phases_measured():
    time, speed, _ = hunting(amplitude=60, hz=0.8)
    found = swings(time, speed, least_rpm=40, low_hz=0.1, high_hz=1.5, least_periods=3)
    assert sum(s.periods for s in found) == pytest.approx(48, abs=2)
    coherence, ahead, size = relation(time, leading(time, 0.8, 40, 0, 2), speed, 0.8)
    assert coherence > 0.98
    assert ahead == pytest.approx(40, abs=3)
    assert size == pytest.approx(2, rel=0.05)


def test_swings_that_reach_the_limit_to_one_side_only_are_a_note():
    """54 rpm in the mean, 38 to the upper side: more than 40 either way is what hunting means."""
    time = np.arange(0.0, 60.0, 0.04)
    phase = 2 * np.pi * 0.85 * time
    shape = np.cos(phase) + 0.18 * np.cos(2 * phase)  # deep below, broad above
    noise = np.random.default_rng(3).normal(0.0, 3.0, time.size)
    severity = {}
    for size in (46.0, 75.0):
        result = run(session(time, engine_speed=870.0 - size * shape + noise), "idle_hunting")
        severity[size] = [f.severity for f in result.findings]
    assert severity == {46.0: ["info"], 75.0: ["watch"]}
    # Fifty periods of which the mixture is seen to be the cause are no doubt.
    lam = 1.0 + 0.15 * np.sin(phase)
    told = run(session(time, engine_speed=870.0 - 46.0 * shape + noise, **{"lambda": lam}),
               "idle_hunting")  # fmt: skip
    assert [f.severity for f in told.findings] == ["watch"]


@pytest.mark.parametrize(("bursts", "severity"), [((20.0,), "info"), ((12.0, 28.0), "watch")])
def test_one_short_swing_of_an_idle_that_settles_is_a_note(bursts, severity):
    """Three periods once in 40 s: a load rings out. As many again and again: it hunts."""
    time = np.arange(0.0, 40.0, 0.04)
    noise = np.random.default_rng(3).normal(0.0, 3.0, time.size)
    wave = sum(((time >= a) & (time < a + 3.5 / 0.8)) * np.sin(2 * np.pi * 0.8 * (time - a))
               for a in bursts)  # fmt: skip
    (finding,) = run(session(time, engine_speed=870.0 + 75.0 * wave + noise),
                     "idle_hunting").findings  # fmt: skip
    assert finding.severity == severity
    assert ("settled by itself" in finding.detail) == (severity == "info")
