"""A table wrong everywhere by one factor since the sessions before, made by hand."""

import datetime as dt

import numpy as np
import pytest

from pipeline.analysis._table_step import step_since_fuel, unexplained_step
from pipeline.analysis.fuel_steps import conclude
from pipeline.logbook import Entry, Kind
from pipeline.meta import Case
from pipeline.results import FuelPoint, MapGrid, Result, TableFigure
from pipeline.vehicle import DEFAULT_VEHICLE

LAST = "2026-05-01T10:00:00"
ERROR = np.random.default_rng(3).normal(0.0, 0.01, 16)


def digest(error: np.ndarray) -> dict[str, object]:
    return {"rpm": [1000.0, 2000.0, 3000.0, 4000.0], "kpa": [40.0, 60.0, 80.0, 100.0],
            "cells": list(range(16)), "mean": error.tolist(), "sd": [0.01] * 16}  # fmt: skip


def entry(kind: Kind, day: int) -> Entry:
    return Entry(date=dt.datetime(2026, 5, day, 12), text="x", kind=kind)


@pytest.mark.parametrize(
    ("before", "now", "logbook", "told"),
    [
        (0.0, 0.05, [], True),
        (0.0, -0.05, [], True),
        (0.0, 0.02, [], False),  # as much as another tank makes
        (0.0, 0.028, [], True),
        (-0.005, 0.022, [], True),  # past right and further off than before
        (0.0, 0.05, [entry("fuel", 2)], False),
        (0.0, 0.05, [entry("note", 2)], True),
        (0.0, 0.05, [entry("repair", 1)], False),  # two hours after the last session began
        (-0.06, -0.01, [], False),  # nearer to right: somebody's work
    ],
)
def test_a_table_does_not_become_wrong_by_itself(
    before: float, now: float, logbook: list[Entry], told: bool
) -> None:
    mine, earlier = digest(ERROR + now), [digest(ERROR + before)] * 2
    assert bool(unexplained_step(mine, earlier, logbook, LAST)) is told


def test_a_step_that_came_with_a_tank_is_seen_in_every_session_that_burns_it() -> None:
    days = [
        (f"2026-05-0{k}T10:00:00", digest(ERROR + (0.045 if k > 3 else 0.0))) for k in range(1, 7)
    ]
    mine, fill = digest(ERROR + 0.045), [entry("fuel", 3)]
    assert step_since_fuel(mine, days, fill) == pytest.approx(4.6, abs=0.1)
    assert step_since_fuel(mine, days[:3], []) == pytest.approx(4.6, abs=0.1)
    assert step_since_fuel(mine, days[3:], fill) is None
    assert step_since_fuel(mine, [], fill) is None


def test_a_patch_is_no_step_and_without_sessions_before_there_is_none() -> None:
    patch = ERROR + np.where(np.arange(16) < 8, 0.10, 0.0)
    assert unexplained_step(digest(patch), [digest(ERROR)], [], LAST) == ""
    assert unexplained_step(digest(ERROR + 0.05), [], [], "") == ""


def test_nothing_is_entered_while_the_step_is_unexplained() -> None:
    row = FuelPoint(rpm=2000, load_kpa=60.0, correction_pct=5.0, low_pct=4.0, high_pct=6.0,
                    step_pct=5.0, sensor_pct=1.5, evidence_s=20.0, verdict="change")  # fmt: skip
    given = {**digest(ERROR + 0.05), "seconds": [12.0] * 16, "barometer_kpa": 100.0,
             "_step": "since the sessions before it reads 5 % more lean"}  # fmt: skip
    table = Result(status="found", why="x", fuel_table=[row], digest=given)
    case = Case(session_id="x", start_time=LAST, duration_s=600, vehicle=DEFAULT_VEHICLE,
                channels=frozenset(), results={"fuel_table": table})  # fmt: skip
    result = conclude(case)
    assert [p.verdict for p in result.fuel_table] == ["blocked"]
    assert "5 % more lean" in result.why


@pytest.mark.parametrize("step", ["", "since the sessions before it reads 5 % more lean"])
def test_only_what_may_be_entered_is_drawn_as_to_enter(step: str) -> None:
    """A block leaves nothing to copy: a map beside "first mend" would be copied all the same."""
    known = {"low_pct": 4.0, "high_pct": 6.0, "sensor_pct": 1.5, "evidence_s": 20.0}
    rows = [
        FuelPoint(rpm=2000, load_kpa=60.0, correction_pct=5.0, step_pct=5.0, verdict="change",
                  **known),
        FuelPoint(rpm=3000, load_kpa=60.0, correction_pct=0.5, step_pct=0.0, verdict="keep",
                  **known),
        FuelPoint(rpm=2000, load_kpa=80.0, correction_pct=None, low_pct=None, high_pct=None,
                  step_pct=None, sensor_pct=None, evidence_s=0.0, verdict="unknown"),
        FuelPoint(rpm=3000, load_kpa=80.0, correction_pct=None, low_pct=None, high_pct=None,
                  step_pct=None, sensor_pct=None, evidence_s=0.0, verdict="unknown"),
    ]  # fmt: skip
    given = {**digest(ERROR), "seconds": [12.0] * 16, "barometer_kpa": 100.0, "_step": step}
    case = Case(session_id="x", start_time=LAST, duration_s=600, vehicle=DEFAULT_VEHICLE,
                channels=frozenset(),
                results={"fuel_table": Result(status="found", why="x", fuel_table=rows,
                                              digest=given)})  # fmt: skip
    result = conclude(case)
    if step:
        assert result.figures == []
        return
    table, points = result.figures
    assert isinstance(table, MapGrid)
    assert table.values == [[5.0, 0.0], [None, None]]
    assert isinstance(points, TableFigure)
    assert points.rows == [[2000.0, 60.0, 5.0, 5.0, 4.0, 6.0, 20.0]]
    assert result.why.startswith("1 point may")
