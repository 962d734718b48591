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
