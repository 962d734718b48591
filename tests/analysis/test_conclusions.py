"""verdict and next_log: the three forms, never more than was seen; overview, leaks by contract."""

from collections.abc import Sequence

import msgspec
import pytest

from pipeline.analysis.next_log import conclude as conclude_next
from pipeline.analysis.proven_range import conclude as conclude_proven
from pipeline.analysis.verdict import WATCHMEN
from pipeline.analysis.verdict import conclude as conclude_verdict
from pipeline.meta import Case
from pipeline.registry import load_registry
from pipeline.results import Finding, NextLog, ProvenCell, Result, Severity, metric
from pipeline.runner import conclude
from pipeline.vehicle import DEFAULT_VEHICLE


def finding(kind: str, severity: Severity, title: str = "Something is wrong") -> Finding:
    return Finding(kind=kind, severity=severity, confidence=0.9, start_s=0, end_s=1, title=title,
                   detail="", step=2)  # fmt: skip


def case(
    findings: Sequence[Finding] = (),
    channels: Sequence[str] = WATCHMEN,
    rpm: float = 5000.0,
    proven: Sequence[ProvenCell] = (),
) -> Case:
    results = {
        "drive_summary": Result(
            status="clear", why="x", metrics={"engine_speed_max_rpm": metric(rpm, "rpm")}
        ),
        "other": Result(status="found", why="x", findings=list(findings)),
        "proven_range": Result(status="clear", why="x", proven_range=list(proven)),
    }
    return Case(session_id="x", start_time="2026-05-01T10:00:00", duration_s=600,
                vehicle=DEFAULT_VEHICLE, channels=frozenset(channels), results=results)  # fmt: skip


def text(of: Case) -> str:
    verdict = conclude_verdict(of).verdict
    assert verdict is not None
    return verdict.text


def test_stop_says_stop_and_why() -> None:
    said = text(case([finding("low_oil_pressure", "stop", "Oil pressure: none"),
                      finding("stall", "watch")]))  # fmt: skip
    assert said == "Stop: do not run it like this, because: oil pressure: none."


@pytest.mark.parametrize("which", [("lean_under_load", "act"), ("knock_risk", "watch")])
def test_gently_names_a_pressure_and_a_speed(which: tuple[str, Severity]) -> None:
    said = text(case([finding(*which)]))
    assert said.startswith("Drive gently only, below 80 kPa and 3000 rpm, because: ")


def test_gently_is_never_beyond_what_has_proven_itself() -> None:
    cells = [ProvenCell(rpm=1800, kpa=60, seconds=30), ProvenCell(rpm=2200, kpa=50, seconds=9)]
    assert "below 60 kPa and 2200 rpm" in text(case([finding("lean_target", "act")], proven=cells))


def test_nothing_found_is_no_clean_bill() -> None:
    verdict = conclude_verdict(case(channels=["engine_speed", "lambda"])).verdict
    assert verdict is not None
    assert verdict.text.startswith("Nothing in this log speaks against driving as in this log; ")
    assert "not watched: oil pressure, coolant temperature, knock, " in verdict.text
    assert "mixture" not in verdict.text
    assert "safe" not in verdict.text
    assert "oil_pressure" in verdict.not_watched
    assert "lambda" not in verdict.not_watched
    assert verdict.severity == "info"


def test_with_every_channel_there_the_hand_checks_are_still_not_watched() -> None:
    assert text(case()).endswith("; not watched: what only checks by hand show.")


FORMS = (
    "Stop: do not run it like this, because: ",
    "Drive gently only, below ",
    "Nothing in this log speaks against driving as in this log",
)


@pytest.mark.parametrize("severity", ["info", "watch", "act", "stop"])
@pytest.mark.parametrize("kind", ["stall", "knock_risk", "lean_under_load", "sensor_fault"])
def test_the_first_line_has_one_of_three_forms_and_never_says_safe(
    kind: str, severity: Severity
) -> None:
    said = text(case([finding(kind, severity, "As seen")], channels=["engine_speed"]))
    held = [form for form in FORMS if said.startswith(form)]
    assert len(held) == 1
    assert "safe" not in said.lower()
    assert ("as seen" in said) == (severity != "info")
    assert (held[0] == FORMS[0]) == (severity == "stop")
    if held[0] == FORMS[1]:
        assert " kPa and " in said and " rpm, because: " in said
    if held[0] == FORMS[2]:
        assert "; not watched: oil pressure, " in said
        assert severity == "info" or "look into soon: as seen" in said


def test_one_that_is_only_to_be_looked_into_is_no_reason_to_go_gently() -> None:
    both = [finding("stall", "watch", "It stalls"), finding("lean_target", "act", "Lean target")]
    assert text(case(both)).endswith("because: lean target.")
    assert text(case(both[:1])).startswith(FORMS[2] + "; look into soon: it stalls; not watched: ")


def test_a_stand_in_watches_for_the_channel_it_stands_for() -> None:
    logged = [c for c in WATCHMEN if c not in ("knock_retard", "lambda")]
    seen = conclude_verdict(case(channels=[*logged, "lambda_2"])).verdict
    assert seen is not None
    assert seen.not_watched == ["knock_retard"]
    assert seen.text.endswith("; not watched: knock.")


def test_an_engine_that_did_not_run_is_not_started_with_a_grave_finding_open() -> None:
    grave = finding("sensor_fault", "act", "No reading")
    assert text(case([grave], rpm=0.0)) == "Do not start it yet, because: no reading."


def test_a_sensor_that_shows_nothing_watches_nothing() -> None:
    broken = msgspec.structs.replace(
        finding("sensor_fault", "watch"), mode="open", channels=["coolant_temperature"]
    )
    verdict = conclude_verdict(case([broken])).verdict
    assert verdict is not None
    assert verdict.not_watched == ["coolant_temperature"]


@pytest.mark.parametrize(("channels", "severity"), [(["oil_pressure"], "stop"), ([], "act"),
                                                    (["knock_level"], "act")])  # fmt: skip
def test_stop_needs_a_channel_that_was_measured(channels: list[str], severity: Severity) -> None:
    grave = msgspec.structs.replace(finding("low_oil_pressure", "stop"), channels=channels)
    seen = conclude(case([grave], channels=["oil_pressure"]), load_registry(), strict=True)
    assert [f.severity for f in seen["other"].findings] == [severity]
    assert seen["verdict"].verdict is not None
    assert seen["verdict"].verdict.severity == severity
    assert seen["verdict"].verdict.text.startswith("Stop") == (severity == "stop")


def test_a_log_without_a_running_engine_says_nothing_of_driving() -> None:
    assert "says nothing about driving" in text(case(rpm=0.0))


def test_what_is_open_asks_for_its_own_log_and_stop_for_no_run() -> None:
    advice = conclude_next(case([finding("thermostat_stuck_open", "watch"),
                                 finding("knock_risk", "watch")])).next_log  # fmt: skip
    assert any("cold start" in a.text.lower() for a in advice)
    assert any("full-throttle" in a.text for a in advice)
    stopped = conclude_next(case([finding("knock_risk", "watch"),
                                  finding("low_oil_pressure", "stop")])).next_log  # fmt: skip
    assert not any("full-throttle" in a.text for a in stopped)


def test_blind_channels_are_worth_logging() -> None:
    advice = conclude_next(case(channels=["engine_speed"])).next_log
    assert any("Log lambda" in a.text for a in advice)
    assert len(advice) <= 6


@pytest.mark.parametrize(
    ("peak", "wide_open", "limit", "says"),
    [
        (186.0, 20.0, None, "No step up in pressure: it is proven to 180 kPa, the most is 186"),
        (230.0, 20.0, None, "hold about 190 kPa"),
        (186.0, 0.0, None, "hold about 190 kPa"),  # never opened: more may come
        (230.0, 20.0, 195.0, "the most is 195 kPa"),
    ],
)
def test_no_step_beyond_what_the_engine_gives_or_may(
    peak: float, wide_open: float, limit: float | None, says: str
) -> None:
    cells = [[3000.0, 150.0, 0.0, 9.0, 9.0], [3500.0, 170.0, 0.0, 9.0, 9.0]]
    ran = Result(status="clear", why="x", digest={"has_target": True, "load_kpa": 80.0,
                                                  "cells": cells})  # fmt: skip
    drive = Result(status="clear", why="x", metrics={
        "manifold_pressure_peak_kpa": metric(peak, "kPa"),
        "wide_open_time_s": metric(wide_open, "s"),
    })  # fmt: skip
    limits = msgspec.structs.replace(DEFAULT_VEHICLE.limits, manifold_pressure_max_kpa=limit)
    result = conclude_proven(
        Case(session_id="x", start_time="", duration_s=600, channels=frozenset(),
             vehicle=msgspec.structs.replace(DEFAULT_VEHICLE, limits=limits),
             results={"operating_range": ran, "drive_summary": drive})
    )  # fmt: skip
    assert says in result.next_log[0].text


def test_what_another_already_asks_to_log_is_asked_once() -> None:
    """Lambda is asked for with its target, knock with what would show it."""
    asked = Result(status="not_judged", why="x", next_log=[
        NextLog(text="Log lambda and its target, or give the target table", why="x"),
        NextLog(text="Log the spark pulled for knock, or the knock level", why="x"),
    ])  # fmt: skip
    made = case(channels=[c for c in WATCHMEN if c not in ("lambda", "knock_retard")])
    made = Case(session_id="x", start_time="", duration_s=600, vehicle=DEFAULT_VEHICLE,
                channels=made.channels, results={**made.results, "asked": asked})  # fmt: skip
    texts = [a.text for a in conclude_next(made).next_log]
    assert not any(t in ("Log lambda", "Log knock retard") for t in texts)
