"""doubt: what rests on a reading that lies stays info, whatever analysis said it."""

import msgspec
import pytest

from pipeline.analysis._signs import untrusted_kinds
from pipeline.doubt import SURE, doubted
from pipeline.meta import Case
from pipeline.results import Finding, Result, Severity
from pipeline.vehicle import DEFAULT_VEHICLE


def finding(kind: str, channel: str, severity: Severity = "act", **more: object) -> Finding:
    given = {"start_s": 100.0, "end_s": 200.0, "confidence": 0.9} | more
    return Finding(kind=kind, severity=severity, title="It is so", detail="As read.", step=2,
                   channels=[channel], blocks=["trim_limit"], **given)  # type: ignore[arg-type]  # fmt: skip


def session(said: Finding, lie: Finding) -> dict[str, Result]:
    return {"some": Result(status="found", why="as read", findings=[said]),
            "sensors": Result(status="found", why="a lie", findings=[lie])}  # fmt: skip


def lie(mode: str, channel: str = "coolant_temperature", **more: object) -> Finding:
    return finding("sensor_fault", channel, mode=mode, **more)


def test_a_finding_on_a_lying_channel_is_kept_as_info_and_its_analysis_not_judged() -> None:
    said = finding("air_in_coolant", "coolant_temperature", "watch")
    out = doubted(session(said, lie("noise")))
    kept = out["some"].findings[0]
    assert (kept.severity, kept.blocks, out["some"].status) == ("info", [], "not_judged")
    assert "coolant temperature" in out["some"].why and kept.detail.startswith("As read. Not")
    assert kept.confidence == pytest.approx(0.1 * 0.9)
    assert kept.likely_causes[0].cause == "the coolant temperature sensor"
    assert out["sensors"].findings == [lie("noise")]


@pytest.mark.parametrize(("step", "kept"), [(0, 1), (1, 1), (2, 2)])
def test_what_may_be_the_sensors_is_no_longer_first_of_all(step: int, kept: int) -> None:
    said = msgspec.structs.replace(finding("overheating", "coolant_temperature"), step=step)
    assert doubted(session(said, lie("noise")))["some"].findings[0].step == kept


@pytest.mark.parametrize(
    ("said", "by"),
    [
        (finding("lean_under_load", "lambda", "stop"), lie("offset", "manifold_pressure")),
        (finding("overheating", "coolant_temperature"), lie("open", start_s=400, end_s=500)),
        (finding("overheating", "coolant_temperature"), lie("spike")),
        (finding("overheating", "coolant_temperature"), lie("noise", confidence=SURE - 0.01)),
        (finding("overheating", "coolant_temperature"), lie("noise", severity="info")),
        (finding("over_boost", "manifold_pressure"), lie("saturated", "manifold_pressure")),
        (finding("low_oil_pressure", "oil_pressure", "stop"), lie("dead", "oil_pressure")),
    ],
    ids=["measured by another", "at another time", "taken out before", "unsure", "only told",
         "a bound", "grave if true"],
)  # fmt: skip
def test_what_the_lie_does_not_reach_stays(said: Finding, by: Finding) -> None:
    results = session(said, by)
    assert doubted(results) == results


@pytest.mark.parametrize(("since", "severity"), [(95.0, "stop"), (30.0, "info")])
def test_noise_that_comes_with_a_loss_of_coolant_is_the_loss(
    since: float, severity: Severity
) -> None:
    said = finding("coolant_loss_suspected", "coolant_temperature", "stop")
    out = doubted(session(said, lie("noise", start_s=since)))
    assert out["some"].findings[0].severity == severity


@pytest.mark.parametrize(
    ("by", "mode", "severity"),
    [
        ("engine_speed", "noise", "info"),
        ("lambda", "noise", "act"),
        ("engine_speed", "slow", "act"),
    ],
    ids=["another channel", "the same channel", "another mode"],
)
def test_a_lambda_that_misses_make_scatter_is_no_lie(
    by: str, mode: str, severity: Severity
) -> None:
    lean = finding("lean_running", "lambda", "watch")
    results = session(lean, lie(mode, "lambda"))
    results["roughness"] = session(finding("rough_running", by), lean)["some"]
    out = doubted(results)
    assert out["sensors"].findings[0].severity == severity
    assert out["some"].findings[0].severity == ("watch" if severity == "info" else "info")


@pytest.mark.parametrize(("rough", "severity"), [("act", "info"), ("watch", "watch")])
def test_a_dead_cylinder_is_no_exhaust_leak(rough: Severity, severity: Severity) -> None:
    results = session(finding("exhaust_leak", "lambda", "watch"), lie("spike"))
    results["roughness"] = session(finding("rough_running", "engine_speed", rough), lie("spike"))[
        "some"
    ]
    told = doubted(results)["some"].findings[0]
    assert told.severity == severity
    assert ("mend that first" in told.detail) == (severity == "info")


def test_noise_that_the_metering_pressure_brings_is_not_the_widebands() -> None:
    results = session(lie("noise", "manifold_pressure"), lie("noise", "lambda"))
    out = doubted(results)
    assert out["some"].findings == results["some"].findings
    assert out["sensors"].findings[0].severity == "info" and out["sensors"].status == "clear"


def test_a_reading_cut_off_at_its_end_shows_no_loss() -> None:
    said = finding("boost_loss", "manifold_pressure", "watch")
    out = doubted(session(said, lie("saturated", "manifold_pressure")))
    assert out["some"].findings[0].severity == "info"


def test_an_analysis_with_another_finding_stays_found() -> None:
    results = session(finding("air_in_coolant", "coolant_temperature"), lie("noise"))
    both = [*results["some"].findings, finding("hard_start", "engine_speed")]
    results["some"] = Result(status="found", why="x", findings=both)
    out = doubted(results)["some"]
    assert [f.severity for f in out.findings] == ["info", "act"] and out.status == "found"


def test_it_is_no_sign_of_a_cause_either() -> None:
    results = session(finding("hot_intake", "intake_air_temperature"),
                      lie("swapped", "intake_air_temperature"))  # fmt: skip
    case = Case(session_id="x", start_time="2026-05-01T10:00:00", duration_s=600,
                vehicle=DEFAULT_VEHICLE, channels=frozenset(),
                results=doubted(results))  # fmt: skip
    assert "hot_intake" in untrusted_kinds(case)


def test_lone_speeds_are_no_misses() -> None:
    said = finding("rough_running", "engine_speed")
    results = doubted(session(said, lie("spike", "engine_speed")))
    assert {f.kind: f.severity for r in results.values() for f in r.findings} == {
        "rough_running": "info", "sensor_fault": "act"}  # fmt: skip
