"""The block after work: the last work's checks, what the log says, and what only a person sees."""

import datetime as dt
from typing import Any

from pipeline.logbook import AREAS, Entry
from pipeline.report.afterwork import ASK, LOOKS, after_work

WORK = Entry(date=dt.datetime(2026, 4, 20), text="new downpipe", touched=["exhaust", "turbo"])
OLD = Entry(date=dt.datetime(2026, 1, 2), text="fuel pump", touched=["fuel"])


def document(**more: Any) -> dict[str, Any]:
    return {"findings": [], "limits_of_detection": {}, **more}


def test_what_was_found_what_was_not_and_what_could_not_be_seen_are_told_apart() -> None:
    said = document(
        findings=[{"kind": "exhaust_leak", "severity": "watch", "title": "Air leaks in"}],
        limits_of_detection={"low_oil_pressure": {"could_show": True},
                             "boost_loss": {"could_show": True}},
    )  # fmt: skip
    block = after_work([OLD, WORK], "2026-05-01T10:00:00", said)
    assert block is not None
    assert (block.date, block.text) == ("2026-04-20", "new downpipe")
    checks = dict(block.checks)
    assert checks["leak before the lambda sensor"] == "found: Air leaks in"
    assert checks["oil pressure after the start"] == "nothing found"
    assert checks["boost against before"] == "nothing found in what could show"
    assert checks["leak into the intake"] == "not judged: this log could not have shown it"
    assert checks["smoke, oil at the joints"] == ASK
    assert any("carbon monoxide" in what for what in checks)


def test_old_work_later_work_and_none_make_no_block() -> None:
    assert after_work([], "2026-05-01T10:00:00", document()) is None
    assert after_work([OLD], "2026-05-01T10:00:00", document()) is None
    assert after_work([WORK], "2026-04-19T10:00:00", document()) is None
    assert after_work([WORK], "", document()) is None


def test_every_area_of_the_logbook_has_its_checks() -> None:
    assert set(LOOKS) == set(AREAS)
