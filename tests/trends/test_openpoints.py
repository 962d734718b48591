"""Open points over made-up repair stories."""

import pytest

from pipeline.logbook import Recheck
from pipeline.openpoints import open_points, rechecks
from tests.trends.summaries import day, entry, finding, summary


def test_a_point_stays_open_through_sessions_that_could_not_show_it() -> None:
    sessions = [
        summary(0, findings=[finding("lean_under_load")]),
        summary(1, blind=["lean_under_load"]),
        summary(2),
    ]
    opened, closed = open_points(sessions, [entry(0.5)])
    assert [p.kind for p in opened] == ["lean_under_load"]
    assert closed == []
    assert opened[0].last_session == sessions[0].id
    assert opened[0].times == 1


def test_a_point_closes_where_it_could_have_shown_and_names_what_was_done() -> None:
    sessions = [
        summary(0, findings=[finding("intake_leak")]),
        summary(1, blind=["intake_leak"]),
        summary(2, could_show=["intake_leak"]),
    ]
    opened, closed = open_points(sessions, [entry(0.5), entry(1.5, "note", text="washed")])
    assert opened == []
    assert closed[0].closed_session == sessions[2].id
    assert closed[0].closed_after == "hose renewed"


def test_what_comes_back_is_open_anew_since_it_came_back() -> None:
    sessions = [
        summary(0, findings=[finding("overheating")]),
        summary(1, could_show=["overheating"]),
        summary(2, findings=[finding("overheating")]),
    ]
    opened, closed = open_points(sessions, [])
    assert opened[0].since == day(2).isoformat()
    assert len(closed) == 1
    assert closed[0].closed_after == ""


def test_order_of_acting_before_severity() -> None:
    sessions = [
        summary(
            0,
            findings=[finding("lean_under_load", "stop", 3), finding("exhaust_leak", "watch", 2)],
        ),
        summary(1, findings=[finding("sensor_fault", "act", 1), finding("boost_loss", "info", 2)]),
    ]
    opened, _ = open_points(sessions, [])
    assert [p.kind for p in opened] == ["sensor_fault", "exhaust_leak", "lean_under_load"]


def test_faults_of_two_sensors_are_two_points() -> None:
    faults = [
        finding("sensor_fault", channels=["coolant_temperature"], mode="stuck"),
        finding("sensor_fault", channels=["lambda"], mode="slow"),
    ]
    opened, _ = open_points([summary(0, findings=faults), summary(1, findings=faults[:1])], [])
    assert [(p.channels, p.times) for p in opened] == [
        (("coolant_temperature",), 2),
        (("lambda",), 1),
    ]


@pytest.mark.parametrize("seed", range(20))
def test_twenty_repair_stories(seed: int) -> None:
    """A fault before the repair, none after; every second log is blind to it."""
    import random

    rng = random.Random(seed)
    broken, whole = rng.randint(1, 4), rng.randint(2, 5)
    sessions = [summary(n, findings=[finding("rough_running")]) for n in range(broken)]
    after = [rng.random() < 0.5 for _ in range(whole)]
    sessions += [
        summary(broken + n, **{"could_show" if shows else "blind": ["rough_running"]})
        for n, shows in enumerate(after)
    ]
    opened, closed = open_points(sessions, [entry(broken - 0.5)])
    assert bool(opened) is not any(after)
    assert bool(closed) is any(after)
    if closed:
        assert closed[0].closed_session == sessions[broken + after.index(True)].id
        assert closed[0].closed_after == "hose renewed"


def test_a_recheck_is_counted_from_the_logs_and_ends_with_its_check() -> None:
    book = [entry(0.5, recheck=Recheck(heat_cycles=2, km=500, text="torque"))]
    logs = [summary(n, metrics={"heat_cycles": 1, "distance_km": 30}) for n in range(3)]
    (early,) = rechecks(logs[:2], book)
    assert (early.due, early.heat_cycles, early.km, early.hours) == (False, 1, 30, 0.5)
    (late,) = rechecks(logs, book)
    assert late.due
    assert rechecks(logs, [*book, entry(2.5, "check", text="torque")]) == []


def test_what_is_due_comes_before_what_can_wait() -> None:
    book = [entry(0.5, recheck=Recheck(km=500, text="can wait")),
            entry(1.5, recheck=Recheck(heat_cycles=1, text="is due"))]  # fmt: skip
    logs = [summary(n, metrics={"heat_cycles": 1, "distance_km": 30}) for n in range(4)]
    assert [(d.text, d.due) for d in rechecks(logs, book)] == [
        ("is due", True),
        ("can wait", False),
    ]
