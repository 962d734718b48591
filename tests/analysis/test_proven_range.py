"""proven_range and the first line: what counts as proven, and what a finding takes from it."""

from collections.abc import Sequence

import msgspec
import pytest

from pipeline.analysis import proven_range, verdict
from pipeline.meta import Case
from pipeline.results import Finding, ProvenCell, Quantity, Result, Severity, metric
from pipeline.vehicle import DEFAULT_VEHICLE

LOAD_KPA = 80.0
#: rpm, kPa, cells' own number, s on target, s judged.
CELLS = tuple((2000.0, kpa, 0.0, 20.0, 20.0) for kpa in (30.0, 50.0, 70.0, 90.0, 110.0, 130.0))


def finding(kind: str, severity: Severity = "act", **more: object) -> Finding:
    given = {"confidence": 0.9, "title": f"So it is: {kind}"} | more
    return Finding(kind=kind, severity=severity, start_s=0, end_s=1, detail="", step=2,
                   **given)  # type: ignore[arg-type]  # fmt: skip


def proven(
    *findings: Finding, cells: Sequence[Sequence[float]] = CELLS
) -> tuple[list[float], Result]:
    """Pressures of the cells that count, and the result."""
    ran = Result(status="clear", why="x",
                 digest={"cells": cells, "has_target": True, "load_kpa": LOAD_KPA})  # fmt: skip
    case = Case(session_id="x", start_time="", duration_s=600, channels=frozenset(),
                vehicle=DEFAULT_VEHICLE,
                results={"operating_range": ran,
                         "other": Result(status="found", why="x", findings=list(findings))},
                )  # fmt: skip
    result = proven_range.conclude(case)
    return [cell.kpa for cell in result.proven_range], result


def test_a_cell_is_proven_by_seconds_on_target_and_by_their_share() -> None:
    cells = [
        (2000.0, 30.0, 0.0, 2.0, 2.5),
        (2000.0, 50.0, 0.0, 1.9, 1.9),
        (2000.0, 70.0, 0.0, 7.9, 10.0),
        (2000.0, 90.0, 0.0, 8.0, 10.0),
    ]
    assert proven(cells=cells)[0] == [30.0, 90.0]


@pytest.mark.parametrize(
    ("open_now", "kpa"),
    [
        ((), [30.0, 50.0, 70.0, 90.0, 110.0, 130.0]),
        # From where it was seen, less one cell; a cell that reaches above that is taken whole.
        ((finding("knock_risk", evidence={"pressure": Quantity(value=135.0, unit="kPa")}),),
         [30.0, 50.0, 70.0, 90.0]),
        # Nothing tells where: from load on.
        ((finding("misfire_under_load"),), [30.0, 50.0, 70.0]),
        # Never below load, however low it was seen.
        ((finding("hot_intake", evidence={"pressure": Quantity(value=60.0, unit="kPa")}),),
         [30.0, 50.0, 70.0]),
        ((finding("intake_leak"),), [90.0, 110.0, 130.0]),
        ((finding("knock_risk", "info"),), [30.0, 50.0, 70.0, 90.0, 110.0, 130.0]),
        ((finding("misfire_under_load", confidence=0.4),),
         [30.0, 50.0, 70.0, 90.0, 110.0, 130.0]),
        ((finding("rough_running", "watch"),), []),
        ((finding("sensor_fault", channels=["lambda"], mode="offset"),), []),
        ((finding("sensor_fault", channels=["oil_pressure"], mode="dead"),),
         [30.0, 50.0, 70.0, 90.0, 110.0, 130.0]),
    ],
    ids=["nothing", "seen at a pressure", "seen under load", "seen low", "light running", "info",
         "unsure", "everywhere", "a bearing sensor", "another sensor"],
)  # fmt: skip
def test_what_is_open_takes_its_cells(open_now: tuple[Finding, ...], kpa: list[float]) -> None:
    assert proven(*open_now)[0] == kpa


def test_the_next_step_is_one_cell_and_none_where_something_open_reaches() -> None:
    _, free = proven(cells=CELLS[:3])
    assert "hold about 90 kPa at 2000 rpm" in free.next_log[0].text
    _, held = proven(finding("lean_under_load"), cells=CELLS[:3])
    assert held.next_log[0].text == "No step up yet; first settle: So it is: lean_under_load"


def sentence(
    *findings: Finding, duration_s: float = 600.0, load_kpa: float = LOAD_KPA,
    cells: Sequence[ProvenCell] = (),
) -> str:  # fmt: skip
    limits = msgspec.structs.replace(DEFAULT_VEHICLE.limits, load_kpa=load_kpa)
    ran = metric(5000.0, "rpm")
    results = {
        "drive_summary": Result(status="clear", why="x", metrics={"engine_speed_max_rpm": ran}),
        "other": Result(status="found", why="x", findings=list(findings)),
        "proven_range": Result(status="clear", why="x", proven_range=list(cells)),
    }
    case = Case(session_id="x", start_time="", duration_s=duration_s, results=results,
                channels=frozenset(verdict.WATCHMEN),
                vehicle=msgspec.structs.replace(DEFAULT_VEHICLE, limits=limits))  # fmt: skip
    said = verdict.conclude(case).verdict
    assert said is not None
    return said.text


def test_a_short_log_says_nothing_but_a_grave_finding_does() -> None:
    assert sentence(duration_s=19.0).startswith("The log is too short")
    assert sentence(finding("stall", "watch"), duration_s=19.0).startswith("The log is too short")
    assert sentence(finding("over_boost"), duration_s=19.0).startswith("Drive gently only")
    assert sentence(duration_s=20.0).startswith("Nothing in this log speaks against")


@pytest.mark.parametrize(
    ("cells", "load_kpa", "below"),
    [
        ([], 80.0, "below 80 kPa and 3000 rpm"),
        ([], 70.0, "below 70 kPa and 3000 rpm"),
        ([(1200.0, 30.0)], 80.0, "below 40 kPa and 1500 rpm"),
        ([(2500.0, 60.0)], 80.0, "below 60 kPa and 2500 rpm"),
        ([(6000.0, 190.0)], 80.0, "below 80 kPa and 3000 rpm"),
    ],
)
def test_gently_is_what_has_proven_itself_but_never_load_and_never_no_driving(
    cells: list[tuple[float, float]], load_kpa: float, below: str
) -> None:
    made = [ProvenCell(rpm=rpm, kpa=kpa, seconds=30.0) for rpm, kpa in cells]
    assert below in sentence(finding("over_boost"), load_kpa=load_kpa, cells=made)


def test_three_reasons_are_named_and_the_rest_are_counted() -> None:
    kinds = ("over_boost", "lean_under_load", "knock_retard", "hot_exhaust", "low_fuel_pressure")
    said = sentence(*(finding(kind) for kind in kinds))
    assert said.count("so it is") == 3
    assert said.endswith("; and 2 more.")


def test_a_sensor_only_thought_to_fail_still_watches() -> None:
    for severity, blind in (("info", False), ("watch", True)):
        fault = finding("sensor_fault", severity, channels=["fuel_pressure"], mode="stuck")  # type: ignore[arg-type]
        result = Result(status="found", why="x", findings=[fault])
        case = Case(session_id="x", start_time="", duration_s=600, vehicle=DEFAULT_VEHICLE,
                    channels=frozenset(verdict.WATCHMEN), results={"sensors": result})  # fmt: skip
        assert (verdict.not_watched(case, [fault]) == ["fuel_pressure"]) == blind
