"""Shapes that tell a fault of the machine from a wrong table: built by hand."""

import numpy as np
import pytest

from pipeline.analysis._table_shapes import open_shapes
from pipeline.physics.fuel import unreferenced_factor

RPM = np.array([800.0, 1600, 2400, 3200, 4000, 4800, 5600])
KPA = np.array([30.0, 45, 60, 80, 100, 130, 160, 190])


def digest(error: np.ndarray, seconds: float = 12.0) -> dict[str, object]:
    """A digest whose points all have the given error (log), rpm rows by kPa columns."""
    n = RPM.size * KPA.size
    return {"rpm": RPM.tolist(), "kpa": KPA.tolist(), "cells": list(range(n)),
            "mean": np.asarray(error, float).ravel().tolist(), "sd": [0.01] * n,
            "seconds": [seconds] * n, "barometer_kpa": 100.0}  # fmt: skip


def planes() -> tuple[np.ndarray, np.ndarray]:
    rpm, kpa = np.meshgrid(RPM, KPA, indexing="ij")
    return rpm, kpa


@pytest.mark.parametrize("lost", [0.5, 1.0])
def test_a_regulator_without_its_hose(lost: float) -> None:
    _, kpa = planes()
    rng = np.random.default_rng(1)
    error = lost * np.log(unreferenced_factor(kpa, barometer_kpa=100.0))
    found = open_shapes(digest(error + rng.normal(0, 0.012, error.shape)), 300.0)
    assert list(found) == ["pressure regulator"]
    assert "barometer" in found["pressure regulator"]


def test_a_pump_that_runs_out() -> None:
    rpm, kpa = planes()
    flow = rpm * kpa
    error = np.where(flow > 4.5e5, 0.5 * np.log(flow / 4.5e5), 0.0)
    assert list(open_shapes(digest(error), 300.0)) == ["fuel flow"]


def test_a_pump_that_runs_out_in_moments_shows_by_its_size() -> None:
    """A quarter second at the top of the flow is enough where a fifth of the fuel is missing."""
    rpm, kpa = planes()
    flow = rpm * kpa
    seconds = np.where(flow > 4.5e5, 0.3, 12.0)
    for lacks, found in ((0.5, ["fuel flow"]), (0.08, [])):
        given = digest(np.where(flow > 4.5e5, lacks * np.log(flow / 4.5e5), 0.0))
        given["seconds"] = seconds.ravel().tolist()
        given["sd"] = np.where(flow > 4.5e5, 0.035, 0.01).ravel().tolist()
        assert list(open_shapes(given, 300.0)) == found


def test_a_pump_that_runs_out_at_the_very_top_shows_at_three_points() -> None:
    """Three of 168 points, passed in moments: a third of the fuel is missing at the last."""
    axes = np.linspace(800.0, 6000.0, 14), np.linspace(30.0, 200.0, 12)
    rpm, kpa = np.meshgrid(*axes, indexing="ij")
    flow = rpm * kpa
    knee = float(np.sort(flow.ravel())[-4])
    over = (flow - knee) / (flow.max() - knee)
    noise = np.random.default_rng(6).normal(0.0, 0.007, rpm.shape)
    for lacks, found in ((0.3, ["fuel flow"]), (0.0, [])):
        given = {**digest(noise + lacks * np.maximum(over, 0.0)), "rpm": axes[0].tolist(),
                 "kpa": axes[1].tolist(), "cells": list(range(flow.size)),
                 "sd": np.where(over > 0, 0.03, 0.01).ravel().tolist(),
                 "seconds": np.where(over > 0, 0.5, 12.0).ravel().tolist()}  # fmt: skip
        assert list(open_shapes(given, 300.0)) == found


def test_air_before_the_sensor_is_told_from_a_wrong_dead_time() -> None:
    rpm, kpa = planes()
    noise = np.random.default_rng(4).normal(0.0, 0.008, rpm.shape)
    leak = 0.09 * float((rpm * kpa).min()) / (rpm * kpa)
    assert list(open_shapes(digest(leak + noise), 300.0)) == ["exhaust leak"]
    assert open_shapes(digest(0.3 * leak + noise), 300.0) == {}
    dead_time = 0.09 * float(kpa.min()) / kpa
    assert open_shapes(digest(dead_time + noise), 300.0) == {}


def test_wrong_tables_are_no_faults_of_the_machine() -> None:
    rpm, kpa = planes()
    called = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        error = np.zeros(rpm.shape)
        for _ in range(4):
            r, p = rng.uniform(1000, 5500), rng.uniform(30, 180)
            wide = ((rpm - r) / rng.uniform(600, 1500)) ** 2 + (
                (kpa - p) / rng.uniform(15, 40)
            ) ** 2
            error += rng.normal(0, 0.08) * np.exp(-wide)
        called += bool(open_shapes(digest(error), 300.0))
    assert called <= 2


def test_too_little_evidence_says_nothing() -> None:
    _, kpa = planes()
    error = np.log(unreferenced_factor(kpa, barometer_kpa=100.0))
    assert open_shapes(digest(error, seconds=0.5), 300.0) == {}


def test_a_level_or_a_tilt_of_another_size_is_a_table() -> None:
    _, kpa = planes()
    assert open_shapes(digest(np.full(kpa.shape, 0.08)), 300.0) == {}
    tilt = 0.08 + np.log(unreferenced_factor(kpa, barometer_kpa=100.0))
    assert open_shapes(digest(tilt), 300.0) == {}
