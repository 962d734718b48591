"""The owner's work list over sessions: what is open, what closed it, which re-checks are due.

Pure functions of session summaries and the logbook.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.history import Summary, local_time
from pipeline.logbook import Entry
from pipeline.results import SEVERITIES, Finding, Severity

#: A finding of this severity or worse opens a point; "info" asks for nothing.
OPENS = ("watch", "act", "stop")


@dataclass(frozen=True)
class Point:
    """One open or closed point. Times are session starts; ``closed`` is "" while it is open."""

    kind: str
    title: str
    severity: Severity
    step: int
    since: str
    since_session: str
    last_seen: str
    last_session: str
    times: int
    next_check: str
    channels: tuple[str, ...] = ()
    closed: str = ""
    closed_session: str = ""
    #: Text of the logbook entry between the last sighting and the session that closed it.
    closed_after: str = ""


def _key(finding: Finding) -> tuple[str, ...]:
    """Sensor faults are apart by channel and mode; every other kind is one point."""
    if finding.kind == "sensor_fault":
        return (finding.kind, finding.mode, *sorted(finding.channels))
    return (finding.kind,)


def open_points(
    summaries: Sequence[Summary], logbook: Sequence[Entry]
) -> tuple[list[Point], list[Point]]:
    """Open points in the order of acting, and closed ones, latest first.

    summaries: one vehicle's, oldest first. A point closes with the first later session that
    could have shown its kind (``limits_of_detection``) and did not.
    """
    points: dict[tuple[str, ...], Point] = {}
    closed: list[Point] = []
    for summary in summaries:
        seen: dict[tuple[str, ...], list[Finding]] = {}
        for finding in summary.findings:
            if finding.severity in OPENS:
                seen.setdefault(_key(finding), []).append(finding)
        for key, findings in seen.items():
            worst = max(findings, key=lambda f: SEVERITIES.index(f.severity))
            points[key] = _seen_again(points.get(key), worst, summary)
        for key in sorted(points.keys() - seen.keys()):
            limit = summary.limits_of_detection.get(key[0])
            if limit is not None and limit.could_show:
                point = points.pop(key)
                closed.append(
                    replace(
                        point,
                        closed=summary.start_time,
                        closed_session=summary.id,
                        closed_after=_between(logbook, point.last_seen, summary.start_time),
                    )
                )
    order = sorted(
        points.values(), key=lambda p: (p.step, -SEVERITIES.index(p.severity), p.since, p.kind)
    )
    return order, closed[::-1]


def _seen_again(known: Point | None, finding: Finding, summary: Summary) -> Point:
    check = finding.next_checks[0].text if finding.next_checks else ""
    since = known.since if known else summary.start_time
    return Point(
        kind=finding.kind,
        title=finding.title,
        severity=finding.severity,
        step=finding.step,
        since=since,
        since_session=known.since_session if known else summary.id,
        last_seen=summary.start_time,
        last_session=summary.id,
        times=(known.times if known else 0) + 1,
        next_check=check,
        channels=tuple(finding.channels),
    )


def _between(logbook: Sequence[Entry], after: str, until: str) -> str:
    texts = [
        e.text
        for e in logbook
        if e.kind != "note" and local_time(after) <= e.when <= local_time(until)
    ]
    return texts[-1] if texts else ""


@dataclass(frozen=True)
class Due:
    """A re-check of a logbook entry: how much of each has passed, and whether it is due."""

    text: str
    since: str
    due: bool
    heat_cycles: float
    hours: float
    km: float


def rechecks(summaries: Sequence[Summary], logbook: Sequence[Entry]) -> list[Due]:
    """Re-checks of all entries that ask for one, due ones first.

    Counted from the logs alone (hours are logged hours): what was driven without a log is not
    in it. A later entry of kind "check" with the same text takes a re-check off the list.
    """
    found = []
    for entry in logbook:
        wanted = entry.recheck
        if wanted is None:
            continue
        text = wanted.text or entry.text
        if any(e.kind == "check" and e.when > entry.when and e.text == text for e in logbook):
            continue
        later = [s for s in summaries if local_time(s.start_time) >= entry.when]
        cycles = sum(s.metrics["heat_cycles"].value for s in later if "heat_cycles" in s.metrics)
        km = sum(s.metrics["distance_km"].value for s in later if "distance_km" in s.metrics)
        hours = sum(s.duration_s for s in later) / 3600.0
        reached = ((wanted.heat_cycles, cycles), (wanted.hours, hours), (wanted.km, km))
        due = any(limit is not None and so_far >= limit for limit, so_far in reached)
        found.append(Due(text, entry.when, due, cycles, hours, km))
    return sorted(found, key=lambda d: (not d.due, d.since, d.text))
