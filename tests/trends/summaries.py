"""Invented summaries of sessions, for statistics over many of them."""

import datetime as dt
from collections.abc import Mapping, Sequence

from pipeline.history import Summary
from pipeline.logbook import Entry
from pipeline.results import Finding, LimitOfDetection, Metric, Severity, Verdict

START = dt.datetime(2026, 5, 1, 18, 0)


def day(number: float) -> dt.datetime:
    """A moment, in days since the first session."""
    return START + dt.timedelta(days=number)


def finding(kind: str, severity: Severity = "act", step: int = 2, **more: object) -> Finding:
    """A finding of a kind."""
    return Finding(
        kind=kind, severity=severity, confidence=0.9, start_s=1.0, end_s=5.0,
        title=kind.replace("_", " "), detail="", step=step, **more,
    )  # fmt: skip


def summary(
    number: float,
    *,
    findings: Sequence[Finding] = (),
    could_show: Sequence[str] = (),
    blind: Sequence[str] = (),
    metrics: Mapping[str, float] | None = None,
    version: int = 1,
    duration_s: float = 1800.0,
) -> Summary:
    """A session some days after the first."""
    limits = dict.fromkeys(could_show, LimitOfDetection(could_show=True))
    limits |= dict.fromkeys(blind, LimitOfDetection(could_show=False))
    values = dict(metrics or {})
    return Summary(
        id=f"s{number:05.1f}", vehicle="car", file=f"{number}.csv", first_line=1,
        start_time=day(number).isoformat(), start_time_source="name", duration_s=duration_s,
        continues=None, versions={"own": version}, statuses={"own": "clear"}, digests={},
        metrics={n: Metric(value=v, unit="1") for n, v in values.items()},
        metric_sources=dict.fromkeys(values, "own"), findings=list(findings),
        limits_of_detection=limits,
        verdict=Verdict(severity="info", text="", because=[], not_watched=[]),
    )  # fmt: skip


def entry(number: float, kind: str = "repair", **more: object) -> Entry:
    """A logbook entry some days after the first session."""
    return Entry(date=day(number), kind=kind, **{"text": "hose renewed", **more})  # type: ignore[arg-type]
