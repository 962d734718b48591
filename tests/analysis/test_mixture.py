"""lean_load, mixture, fuel_table, fuel_steps: simulated truth, and rules made by hand."""

from dataclasses import replace

import numpy as np
import pytest

from fixtures.cars import draw_car
from fixtures.drives import mixed_drive
from fixtures.faults import FAULTS
from fixtures.simulate import simulate
from pipeline.analysis.fuel_steps import conclude
from pipeline.analysis.fuel_table import META, judge, pooled, step_of
from pipeline.limits import Limits
from pipeline.meta import Case, Earlier, Own
from pipeline.registry import load_registry
from pipeline.results import Finding, FuelPoint, Result, packed_points, unpacked_points
from pipeline.vehicle import DEFAULT_VEHICLE
from tests.judge.bridge import Judged, judge_run

REGISTRY = load_registry()
#: Only what this module asks about is run.
NAMES = ("lean_load", "mixture", "fuel_table", "fuel_steps")
MINE = replace(REGISTRY, analyses={name: REGISTRY.analyses[name] for name in NAMES})


def judged(seed: int, fault: str = "", strength: float = 0.8, **car: object) -> Judged:
    faults = (FAULTS[fault](strength),) if fault else ()
    drive = mixed_drive(seed, 10.0)
    return judge_run(simulate(draw_car(seed, **car), drive, faults, seed), MINE)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("fault", "kind", "severities"),
    [
        ("lean_under_load_pump", "lean_under_load", {"act", "stop"}),
        ("lean_target", "lean_target", {"act"}),
        ("lean_running", "lean_running", {"watch"}),
        ("rich_running", "rich_running", {"watch"}),
        ("trim_limit", "trim_limit", {"act"}),
    ],
)
def test_each_fault_is_found_where_it_is(fault: str, kind: str, severities: set[str]) -> None:
    run = judged(331, fault)
    found = [f for f in run.findings if f.kind == kind]
    assert {f.severity for f in found} & severities
    truth = [f for f in run.run.truth.faults if f.kind == kind]
    if kind == "lean_under_load":
        # Onset within 0.2 s, in the engine's own time: of every episode that was called.
        for f in found:
            assert min(abs(f.start_s - t.start_s) for t in truth) <= 0.2
    for f in found:
        assert f.evidence
        assert f.next_checks


def test_a_healthy_mixture_is_left_alone_and_its_delay_is_found() -> None:
    run = judged(332)
    kinds = [f.kind for a in ("lean_load", "mixture") for f in run.results[a].findings
             if f.severity != "info"]  # fmt: skip
    assert kinds == []
    true = run.run.truth.scalars["exhaust_delay_ms"]
    assert run.metrics["exhaust_delay_ms"].value == pytest.approx(true, abs=15 + 0.05 * true)


def test_the_table_s_error_is_found_point_by_point() -> None:
    run = judged(334, table_error_pct=12.0, sensor_gain=0.0, load_sensing="speed_density")
    rows = [p for p in run.results["fuel_table"].fuel_table if p.verdict in ("change", "keep")]
    assert len(rows) > 15
    true = np.array([
        float(np.asarray(run.run.truth.fuel_error(np.array([p.rpm]), np.array([p.load_kpa])))[0])
        for p in rows
    ])  # fmt: skip
    found = np.array([p.correction_pct for p in rows], dtype=float)
    seconds = np.array([p.evidence_s for p in rows])
    before = np.sqrt(np.average(true**2, weights=seconds))
    after = np.sqrt(np.average((found - true) ** 2, weights=seconds))
    assert before > 2.0
    assert after < 1.2
    assert after < 0.4 * before
    # What the log cannot tell apart is said where the numbers are read.
    figures = {f.id: f for f in run.results["fuel_table"].figures}
    grid = next(f for id_, f in figures.items() if id_.endswith("-correction"))
    assert "one drive alone cannot show it" in grid.caption


def test_steps_down_are_small_where_the_engine_is_loaded() -> None:
    limits = Limits()
    assert step_of(30.0, 60.0, 9.0, limits) == 20.0
    assert step_of(-12.0, 60.0, 9.0, limits) == -10.0
    assert step_of(-12.0, 100.0, 9.0, limits) == -3.0
    assert step_of(-12.0, 130.0, 9.0, limits) == -2.0
    assert step_of(-12.0, 130.0, 0.5, limits) == 0.0
    assert step_of(4.0, 180.0, 9.0, limits) == 4.0


def digest(mean: float, sd: float) -> dict[str, object]:
    return {"rpm": [1000.0, 2000.0], "kpa": [40.0, 80.0], "cells": [0], "mean": [mean],
            "sd": [sd], "seconds": [30.0], "target": [1.0]}  # fmt: skip


def test_sessions_are_pooled_by_their_precision() -> None:
    """Own arithmetic: 0.04 and 0.08 with standard deviations 0.01 and 0.02 pool to 0.048."""
    row = pooled([digest(0.04, 0.01), digest(0.08, 0.02)], Limits())[0]
    assert row.correction_pct == pytest.approx(100 * np.expm1(0.048), abs=0.01)
    assert row.evidence_s == 60.0
    assert row.verdict == "change"


def test_a_session_with_an_open_fault_is_not_pooled() -> None:
    """The leak's session would give 0.08; alone the own session's 0.04 stands."""
    leak = Finding(kind="exhaust_leak", severity="watch", confidence=0.9, start_s=0, end_s=1,
                   title="x", detail="", step=2)  # fmt: skip
    mine = Own(session_id="b", start_time="2026-05-02T10:00:00", duration_s=600,
               result=Result(status="found", why="x", digest=digest(0.04, 0.01)),
               vehicle=DEFAULT_VEHICLE)  # fmt: skip
    for findings, expected in (([leak], 0.04), ([], 0.048)):
        before = Earlier(session_id="a", start_time="2026-05-01T10:00:00", duration_s=600,
                         digest=digest(0.08, 0.02), version=META.version, metrics={},
                         findings=findings)  # fmt: skip
        (row, *_) = unpacked_points(judge(mine, [before]).digest["_pooled"])
        assert row.correction_pct == pytest.approx(100 * np.expm1(expected), abs=0.01)


def point(kpa: float) -> FuelPoint:
    return FuelPoint(rpm=2000, load_kpa=kpa, correction_pct=5.0, low_pct=4.0, high_pct=6.0,
                     step_pct=5.0, sensor_pct=1.5, evidence_s=20.0, verdict="change")  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "channels", "light", "loaded"),
    [
        ("exhaust_leak", [], "blocked", "blocked"),
        ("misfire_under_load", [], "change", "blocked"),
        ("sensor_fault", ["lambda"], "blocked", "blocked"),
        ("sensor_fault", ["oil_pressure"], "change", "change"),
        ("thermostat_stuck_open", [], "change", "change"),
    ],
)
def test_no_table_is_corrected_for_a_fault_of_the_machine(
    kind: str, channels: list[str], light: str, loaded: str
) -> None:
    fault = Finding(kind=kind, severity="watch", confidence=0.9, start_s=0, end_s=1, title="x",
                    detail="", step=2, channels=channels)  # fmt: skip
    points = [point(50.0), point(120.0)]
    stored = {"rpm": [2000.0], "kpa": [50.0, 120.0], "cells": [], "mean": [], "sd": [],
              "seconds": [], "_pooled": packed_points(points)}  # fmt: skip
    table = Result(status="found", why="x", fuel_table=points, digest=stored)
    other = Result(status="found", why="x", findings=[fault])
    case = Case(session_id="x", start_time="2026-05-01T10:00:00", duration_s=600,
                vehicle=DEFAULT_VEHICLE, channels=frozenset(),
                results={"fuel_table": table, "other": other})  # fmt: skip
    result = conclude(case)
    rows = result.fuel_table
    # The vehicle's table over several sessions waits for the same faults.
    assert [p.verdict for p in unpacked_points(result.digest["pooled"])] == [light, loaded]
    assert [r.verdict for r in rows] == [light, loaded]
    for row in rows:
        assert (row.step_pct is None) == (row.verdict == "blocked")
        assert bool(row.reason) == (row.verdict == "blocked")


def test_without_a_wideband_no_percentage_is_given() -> None:
    run = judged(335)
    from tests.analysis.test_contract import fresh

    names = ("engine_speed", "manifold_pressure", "throttle_position", "coolant_temperature")
    channels = {k: run.session.channels[k] for k in names}
    channels["narrowband_voltage"] = np.where(np.arange(run.session.time.size) % 50 < 25, 0.8, 0.1)
    session = fresh(run.session, channels)
    session.info = {**session.info, "narrowband_voltage": session.info["engine_speed"]}
    from pipeline.runner import analyse

    result = analyse(session, MINE, strict=True)["mixture"]
    assert "no percentage" in result.why
    assert not any(name.startswith("lambda_error") for name in result.metrics)
