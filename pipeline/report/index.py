"""The index page: what is open, what moved, all sessions, files set aside."""

from collections.abc import Mapping, Sequence
from typing import Any

from pipeline.history import Summary
from pipeline.openpoints import Due, Point, open_points, rechecks
from pipeline.report.page import (
    IndexData,
    IndexSession,
    IndexVehicle,
    OpenPoint,
    SetAside,
    render_index,
)
from pipeline.report.trends import trends_page
from pipeline.report.units import Units
from pipeline.results import SEVERITIES

#: Files named on the page; a folder of thousands of strangers must not swamp it.
MOST_FILES = 200


def index_page(data: Mapping[str, Any]) -> str:
    """Render index.html; ``data`` as :func:`pipeline.publish.index_data` makes it."""
    aside = [f for f in data["files"] if f["status"] == "set_aside"]
    partial = [f for f in data["files"] if f["status"] == "partial"]
    return render_index(
        IndexData(
            vehicles=[_vehicle(v) for v in data["vehicles"]],
            set_aside=_files(aside),
            partial=_files(partial),
            demo=any("(invented)" in v["vehicle"].vehicle.name for v in data["vehicles"]),
        )
    )


def _files(records: Sequence[Mapping[str, Any]]) -> list[SetAside]:
    shown = [SetAside(f["file"], f["reason"] or _dropped(f), _cure(f)) for f in records]
    if len(shown) > MOST_FILES:
        rest = len(shown) - MOST_FILES
        shown = [*shown[:MOST_FILES], SetAside(f"and {rest} more", "see data/ingest.json")]
    return shown


def _dropped(file: Mapping[str, Any]) -> str:
    dropped = ", ".join(f"{n} {why.replace('_', ' ')}" for why, n in file["rows_dropped"].items())
    return f"{file['rows_read']} rows kept; dropped: {dropped}" if dropped else ""


def _cure(file: Mapping[str, Any]) -> str:
    return "; ".join(sorted({str(m[2]) for m in file["messages"]}))


def _vehicle(v: Mapping[str, Any]) -> IndexVehicle:
    sessions: list[Summary] = v["sessions"]
    units = Units(v["vehicle"].units)
    opened, closed = open_points(sessions, v["logbook"])
    points = [_open(p, units) for p in opened]
    points += [_due(d) for d in rechecks(sessions, v["logbook"]) if d.due]
    worst_first = list(reversed(sessions))
    worst_first.sort(key=lambda s: -SEVERITIES.index(s.verdict.severity))
    return IndexVehicle(
        id=v["id"],
        name=v["vehicle"].vehicle.name,
        units=units,
        sessions=[_session(s, few=len(sessions) <= 60) for s in worst_first],
        open_points=points,
        latest=_session(sessions[-1], few=True) if len(sessions) > 1 else None,
        closed=[_closed(p, units) for p in closed[:60]],
        trends=trends_page(v["id"], sessions, v["logbook"], units),
    )


def _day(stamp: str) -> str:
    return stamp.replace("T", " ")[:16]


def _open(point: Point, units: Units) -> OpenPoint:
    seen = f", last seen {_day(point.last_seen)}" if point.times > 1 else ""
    return OpenPoint(
        text=units.text(point.title),
        severity=point.severity,
        since=f"open since {_day(point.since)}{seen}, in {point.times} "
        + ("session" if point.times == 1 else "sessions"),
        page=f"sessions/{point.last_session}.html",
        next=units.text(point.next_check),
    )


def _closed(point: Point, units: Units) -> OpenPoint:
    after = f", after “{point.closed_after}”" if point.closed_after else ""
    last = f" to {_day(point.last_seen)}" if point.last_seen != point.since else ""
    return OpenPoint(
        text=units.text(point.title),
        severity=point.severity,
        since=f"seen {_day(point.since)}{last}, gone on {_day(point.closed)}{after}",
    )


def _due(due: Due) -> OpenPoint:
    return OpenPoint(
        text=f"Re-check due: {due.text}",
        severity="watch",
        since=f"since {_day(due.since)}: {due.heat_cycles:.0f} heat cycles, {due.hours:.1f} h, "
        f"{due.km:.0f} km logged",
    )


def _session(s: Summary, *, few: bool) -> IndexSession:
    distance = s.metrics.get("distance_km")
    return IndexSession(
        id=s.id,
        start=s.start_time,
        duration_s=s.duration_s,
        page=f"sessions/{s.id}.html",
        severity=s.verdict.severity,
        rank=SEVERITIES.index(s.verdict.severity),
        said=s.verdict.text if few else "",
        loud=sum(f.severity != "info" for f in s.findings),
        distance_km=distance.value if distance else None,
    )
