"""What changed since the session before: by hand, and how often chance alone calls a figure."""

import datetime as dt
from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.analysis.changed import COMPARED, conclude
from pipeline.logbook import Entry
from pipeline.meta import Case, Earlier
from pipeline.results import Finding, LimitOfDetection, Result, TableFigure, metric
from pipeline.vehicle import DEFAULT_VEHICLE


def finding(kind: str, title: str) -> Finding:
    return Finding(kind=kind, severity="act", confidence=0.9, start_s=0, end_s=1, title=title,
                   detail="", step=2)  # fmt: skip


def earlier(day: int, metrics: Mapping[str, float], findings: Sequence[Finding] = ()) -> Earlier:
    return Earlier(session_id=f"s{day}", start_time=f"2026-05-{day:02d}T10:00:00+02:00",
                   duration_s=600, digest={}, version=1, findings=findings,
                   metrics={k: metric(v, "V") for k, v in metrics.items()})  # fmt: skip


def told(
    past: Sequence[Earlier],
    metrics: Mapping[str, float] | None = None,
    findings: Sequence[Finding] = (),
    logbook: Sequence[Entry] = (),
    could_show: Sequence[str] = (),
) -> Result:
    result = Result(
        status="clear", why="x", findings=list(findings),
        metrics={k: metric(v, "V") for k, v in (metrics or {}).items()},
        limits_of_detection={k: LimitOfDetection(could_show=True) for k in could_show},
    )  # fmt: skip
    return conclude(
        Case(session_id="x", start_time="2026-05-20T10:00:00", duration_s=600,
             results={"a": result}, vehicle=DEFAULT_VEHICLE, channels=frozenset(),
             logbook=logbook, earlier=past)
    )  # fmt: skip


def test_the_first_session_has_nothing_before_it() -> None:
    assert told([]).status == "not_judged"


def test_what_a_log_could_not_show_is_not_called_gone() -> None:
    before = [earlier(1, {}, [finding("rough_running", "One is weak"), finding("stall", "Dies")])]
    result = told(before, findings=[finding("over_boost", "Too much")], could_show=["stall"])
    assert "new: Too much" in result.why
    assert "not seen this time: Dies" in result.why
    assert "not judged this time: One is weak" in result.why


def test_work_since_then_is_named_and_work_before_is_not() -> None:
    logbook = [Entry(date=dt.datetime(2026, 5, d, 12), text=f"work {d}.", kind="repair")
               for d in (1, 3)]  # fmt: skip
    result = told([earlier(1, {}), earlier(2, {})], logbook=logbook)
    assert result.why == "since 2026-05-02 10:00: done in between: “work 3”"
    assert "no finding then or now" in told([earlier(2, {})]).why


def test_a_figure_far_outside_its_sessions_is_called_with_them() -> None:
    past = [
        earlier(d, {"charging_voltage_v": v}) for d, v in enumerate((14.0, 13.9, 14.1, 14.0), 1)
    ]
    result = told(past, {"charging_voltage_v": 13.0})
    (table,) = result.figures
    assert isinstance(table, TableFigure)
    assert table.rows == [["charging voltage", 4.0, "13.90 V", "14.10 V", "14.00 V", "13.00 V"]]
    assert told(past, {"charging_voltage_v": 13.8}).figures == []
    assert told(past[:2], {"charging_voltage_v": 10.0}).figures == []  # two have no known spread


def test_chance_calls_a_figure_in_one_session_of_twenty_at_most() -> None:
    rng = np.random.default_rng(20)
    drawn = rng.normal(14.0, 0.3, (400, 6, len(COMPARED)))
    called = 0
    for sessions in drawn:
        past = [earlier(d, dict(zip(COMPARED, row, strict=True)))
                for d, row in enumerate(sessions[:-1], 1)]  # fmt: skip
        called += bool(told(past, dict(zip(COMPARED, sessions[-1], strict=True))).figures)
    assert called <= 32  # 20 expected, 4.4 standard deviation
