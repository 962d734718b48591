"""How the pages put numbers and moments into words."""

import pytest

from pipeline.report import words
from pipeline.report.units import Units
from pipeline.report.view import SessionView, metric_shown, metric_words
from pipeline.wording import counted, lasting, none_or

METRIC = Units("metric")


def test_a_finding_that_spans_minutes_is_told_by_its_ends() -> None:
    assert words.when(520.0, 522.2, 1000.0) == "at 8:40, for 2.2 s"
    assert words.when(26.0, 635.0, 1000.0) == "between 0:26 and 10:35"
    assert words.when(0.0, 1000.0, 1000.0) == "the whole session"


def test_lengths_of_time() -> None:
    told = [lasting(s) for s in (0.0, 0.04, 0.4, 42.0, 1088.0, 3900.0)]
    assert told == ["0.0 s", "40 ms", "0.4 s", "42 s", "18 min", "1 h 05 min"]
    assert [none_or(n, "gap") for n in (0, 1, 2)] == ["no gap", "1 gap", "2 gaps"]


def test_one_is_not_many() -> None:
    assert [counted(n, "row") for n in (0, 1, 2)] == ["0 rows", "1 row", "2 rows"]


@pytest.mark.parametrize(
    ("value", "unit", "shown"),
    [(123.45, "ms", "123 ms"), (12.345, "ms", "12.3 ms"), (2.664, "ms", "2.66 ms"),
     (226.3, "s", "226 s"), (22.63, "s", "22.6 s"), (100.0, "%", "100 %"), (7.5, "%", "7.5 %")],
)  # fmt: skip
def test_no_digits_that_no_log_holds(value: float, unit: str, shown: str) -> None:
    assert METRIC.show(value, unit) == shown


def test_metrics_in_words() -> None:
    assert metric_words("time_to_60c_s") == "Time to 60 °C"
    assert Units("us").text(metric_words("time_to_60c_s")) == "Time to 140 °F"
    assert metric_shown(METRIC, "start_tries", 1.0, "1") == "1"
    assert metric_shown(METRIC, "knock_index_max", 1.09, "1") == "1.09"


def test_what_was_found_is_not_called_blind() -> None:
    """A dead cylinder may be plain in a log that would have lost a rare miss."""
    dim = {"could_show": False}
    document = {"duration_s": 60.0, "findings": [{"kind": "rough_running"}],
                "limits_of_detection": {"rough_running": dim, "over_boost": dim}}  # fmt: skip
    view = SessionView(document, {}, units=METRIC, entries=[])
    assert view.limits() == (["over boost"], [])


def _finding(kind: str, cause: str, severity: str = "act") -> dict[str, object]:
    return {
        "kind": kind, "severity": severity, "confidence": 0.9, "start_s": 1.0, "end_s": 2.0,
        "title": kind, "detail": "", "step": 3, "blocks": [], "channels": [], "mode": "",
        "evidence": {}, "likely_causes": [{"cause": cause, "probability": 0.5}],
        "next_checks": [],
    }  # fmt: skip


def test_what_to_do_about_two_of_a_kind_is_said_once() -> None:
    found = [_finding("lean_under_load", "table"), _finding("rich_under_load", "table"),
             _finding("lean_under_load", "table"), _finding("lean_under_load", "pump")]  # fmt: skip
    view = SessionView({"duration_s": 60.0, "findings": found}, {}, units=METRIC, entries=[])
    assert [card["as_in"] for card in view.findings()] == [None, None, 1, None]


def test_a_stop_is_said_once() -> None:
    text = "Stop: do not run it like this, because: lean under load."
    verdict = {"severity": "stop", "text": text, "because": [], "not_watched": []}
    view = SessionView({"duration_s": 60.0, "verdict": verdict}, {}, units=METRIC, entries=[])
    shown = view.verdict([])
    assert shown["word"][0] + ": " + shown["word"][2] == "Stop: do not run it like this"
    assert shown["text"] == "Because: lean under load."
