"""Misfire under load on hand-made full-throttle runs."""

import numpy as np
import pytest

from pipeline.analysis import misfire_load
from pipeline.facts.load_hiccups import Hiccups
from pipeline.session import View
from tests.analysis.roughness_logs import run, session

RATE = 25.0
DELAY = 0.15


def pull(events=(), *, limiter=False, runs=2, lean_only=False):
    """Warm drive with full-throttle runs; events: seconds into each run at which firings fail."""
    rng = np.random.default_rng(0)
    length = 30.0 * runs
    time = np.arange(0, length, 1 / RATE)
    inside = time % 30.0
    full = (inside > 10) & (inside < 16)
    rpm = np.where(full, 2500 + 400 * (inside - 10), 2400.0)
    lam = np.where(full, 0.85, 1.0)
    kpa = np.where(full, 150.0, 45.0)
    for at in events:
        dip = (inside > 10 + at) & (inside < 10.6 + at)
        if not lean_only:
            rpm = rpm - np.where(dip, 300 * np.sin(np.pi * (inside - 10 - at) / 0.6), 0.0)
        lean = (inside > 10 + at + DELAY) & (inside < 10.3 + at + DELAY)
        lam = np.where(lean & full, 1.1, lam)
    if limiter:
        top = full & (inside > 13)
        rpm = np.where(top, 3700 + 60 * np.sin(2 * np.pi * 2 * inside), rpm)
        lam = np.where(top & (np.sin(2 * np.pi * 2 * inside) > 0.6), 1.2, lam)
    lam = lam + rng.normal(0, 0.004, time.size)
    return session(
        time, engine_speed=rpm + rng.normal(0, 4, time.size), manifold_pressure=kpa,
        throttle_position=np.where(full, 98.0, 20.0), vehicle_speed=rpm / 60.0,
        battery_voltage=np.full(time.size, 13.9), **{"lambda": lam},
    )  # fmt: skip


def test_hiccups_with_lean_spikes_are_found():
    result = run(pull(events=(2.0, 3.5)), "misfire_load")
    (finding,) = result.findings
    assert finding.kind == "misfire_under_load"
    assert finding.severity == "act"
    assert finding.evidence["hiccups"].value >= 3
    assert 11.6 <= finding.start_s <= 12.6
    assert "spark" in finding.likely_causes[0].cause
    assert "lean_under_load" in finding.blocks


@pytest.mark.parametrize(
    "options",
    [{}, {"events": (2.0, 3.5), "lean_only": True}, {"limiter": True}],
    ids=["clean", "lean", "limiter"],
)
def test_clean_runs_lean_patches_and_a_limiter_are_not_misfire(options):
    result = run(pull(**options), "misfire_load")
    assert result.status == "clear"


@pytest.mark.parametrize(("lean", "status"), [(0.02, "found"), (0.0, "clear")])
def test_misses_that_crowd_are_their_run_s_own_scatter(lean, status):
    """Firings fail so often that two rows in five fall, and lambda is never at rest.

    Without a mixture that tells of them a trembling speed is its sensor's.
    """
    rng = np.random.default_rng(3)
    time = np.arange(0, 60.0, 1 / RATE)
    full = (time % 30.0 > 10) & (time % 30.0 < 18)
    missed = full & (rng.random(time.size) < 0.4)
    speed = np.where(full, 2400 + 250 * (time % 30.0 - 10), 2400.0)
    speed *= 1.0 - 0.03 * missed + rng.normal(0, 0.001, time.size)
    late = np.convolve(missed, np.exp(-np.arange(8) / 3.0))[: time.size]
    log = session(
        time, engine_speed=speed, manifold_pressure=np.where(full, 155.0, 45.0),
        throttle_position=np.where(full, 98.0, 20.0), vehicle_speed=speed / 60.0,
        **{"lambda": np.where(full, 0.85, 1.0) + lean * late + rng.normal(0, 0.004, time.size)},
    )  # fmt: skip
    assert run(log, "misfire_load").status == status


def test_lambda_on_its_way_to_full_load_is_no_spike():
    """From 1200 rpm in top gear the engine shudders while the mixture still comes down."""
    rng = np.random.default_rng(4)
    time = np.arange(0, 40.0, 1 / RATE)
    since = time - 10.0
    full = (since > 0) & (since < 25)
    shudder = 45.0 * np.exp(-np.maximum(since, 0) / 1.5) * np.sin(2 * np.pi * 2.2 * since)
    speed = np.where(full, 1250 + 60 * since + shudder, 1250.0)
    lam = np.where(full, 0.86 + 0.14 * np.exp(-np.maximum(since, 0) / 2.0), 1.0)
    log = session(
        time, engine_speed=speed + rng.normal(0, 6, time.size),
        manifold_pressure=np.where(full, 104.0, 45.0),
        throttle_position=np.where(full, 98.0, 12.0), vehicle_speed=speed / 25.0,
        **{"lambda": lam + rng.normal(0, 0.004, time.size)},
    )  # fmt: skip
    assert run(log, "misfire_load").status == "clear"


@pytest.mark.parametrize(
    ("events", "for_s", "kinds"),
    [
        ((1.0, 2.5, 4.0), 0.0, {"misfire_under_load"}),  # the oxygen of the failed firings
        ((), 0.3, {"lean_under_load"}),  # as long as theirs, and no hiccup
        ((1.0,), 2.2, {"misfire_under_load", "lean_under_load"}),  # and fuel runs short later
    ],
)
def test_a_miss_reads_lean_and_is_no_lean_mixture(events, for_s, kinds):
    log = pull(events=events)
    inside = log.time % 30.0
    full = log.channels["throttle_position"] > 50.0
    log.channels["lambda_target"] = np.where(full, 0.85, 1.0)
    short = full & (inside > 13.0) & (inside < 13.0 + for_s)
    log.channels["lambda"] = np.where(short, 1.0, log.channels["lambda"])
    log.info = {**log.info, "lambda_target": log.info["engine_speed"]}
    told = [*run(log, "misfire_load").findings, *run(log, "lean_load").findings]
    assert {f.kind for f in told if f.severity != "info"} == kinds


def test_without_full_throttle_it_is_not_judged():
    time = np.arange(0, 60, 1 / RATE)
    log = session(time, engine_speed=np.full(time.size, 2000.0),
                  **{"lambda": np.ones(time.size)})  # fmt: skip
    assert run(log, "misfire_load").status == "not_judged"


def test_the_figure_of_hiccups_that_crowd_shows_the_deepest():
    """Lean spikes and hiccups are counted apart there: more spikes than hiccups are no error."""
    time = np.arange(0.0, 30.0, 0.04)
    log = session(time, engine_speed=2000.0 + 50.0 * time, **{"lambda": np.full(time.size, 0.85)})
    found = Hiccups(np.array([5.0, 20.0]), np.array([0.3, 0.6]), np.array([0.1, 0.2, 0.4]),
                    np.array([125, 500]), 20.0)  # fmt: skip
    view = View(log, allowed=list(log.channels), facts=(), resolve=lambda _name: None)
    panel = misfire_load._figure(view, found).panels[0]
    assert min(panel.lines[0].x) > 15.0
