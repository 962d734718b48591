"""Earlier sessions: what is kept of each, who sees which, and pass B on one session.

``history.json`` holds one summary a session. A session sees the summaries of at most
``WINDOW`` earlier ones of its own vehicle.
"""

from collections.abc import Mapping, Sequence
from typing import Any

import msgspec

from pipeline import SCHEMA_VERSION
from pipeline.document import (
    Document,
    FirstPass,
    HistoryUsed,
    assemble,
    encode_compact,
    to_json,
)
from pipeline.logbook import Entry
from pipeline.meta import Case, Earlier, Own
from pipeline.registry import Registry
from pipeline.results import Finding, LimitOfDetection, Metric, Result, Verdict
from pipeline.runner import conclude, judge
from pipeline.session import Continues
from pipeline.store import digest
from pipeline.vehicle import Vehicle

#: Earlier sessions a session is compared with: two to three months of a car driven on most
#: weekends and some evenings; an older state of the car tells little of today's, and work per
#: session stays the same however long the history grows.
WINDOW = 50


class Summary(msgspec.Struct, frozen=True, kw_only=True):
    """What is kept of a session for later ones, for the trends and for the index page."""

    id: str
    vehicle: str
    file: str
    first_line: int
    start_time: str
    start_time_source: str
    duration_s: float
    continues: Continues | None
    versions: dict[str, int]
    statuses: dict[str, str]
    #: As JSON: only those of the window are ever looked into, and there may be a thousand.
    digests: dict[str, msgspec.Raw]
    metrics: dict[str, Metric]
    #: Which analysis each metric came from.
    metric_sources: dict[str, str]
    findings: list[Finding]
    limits_of_detection: dict[str, LimitOfDetection]
    verdict: Verdict

    @property
    def order(self) -> tuple[str, str, int]:
        """Key of "earlier": start, then file, then line."""
        return (local_time(self.start_time), self.file, self.first_line)


class History(msgspec.Struct, frozen=True, kw_only=True):
    """``history.json``."""

    schema_version: int
    sessions: list[Summary]


def local_time(stamp: str) -> str:
    """Cut the offset off an ISO 8601 time, so that times as logged can be put in order."""
    day, separator, clock = stamp.partition("T")
    for mark in ("+", "-", "Z"):
        clock = clock.split(mark)[0]
    return day + separator + clock


def decode_history(raw: bytes) -> dict[str, Summary]:
    """Summaries by session id; {} for bytes that are not a history of this version."""
    try:
        history = msgspec.json.decode(raw, type=History)
    except msgspec.DecodeError:
        return {}
    return {s.id: s for s in history.sessions} if history.schema_version == SCHEMA_VERSION else {}


def encode_history(summaries: Sequence[Summary]) -> bytes:
    """``history.json`` in order of start."""
    ordered = sorted(summaries, key=lambda s: s.order)
    return encode_compact(History(schema_version=SCHEMA_VERSION, sessions=ordered))


def summary_hash(summary: Summary) -> str:
    """Hash of all that later sessions can see of one."""
    return digest(to_json(summary))


def window_hash(hashes: Sequence[str], logbook: Sequence[Entry]) -> str:
    """Hash of what a session is judged against: earlier summaries and the logbook so far."""
    return digest(*hashes, *(msgspec.json.encode(e) for e in logbook))


def entries_until(entries: Sequence[Entry], start_time: str) -> list[Entry]:
    """Logbook entries at or before a session's start."""
    return [e for e in entries if e.when <= local_time(start_time)]


def judge_session(
    first: FirstPass,
    *,
    vehicle_id: str,
    vehicle: Vehicle,
    earlier: Sequence[Summary],
    logbook: Sequence[Entry],
    history_digest: str,
    registry: Registry,
) -> tuple[Document, Summary, dict[str, Result]]:
    """Pass B on one session: its document, its summary and the final results by analysis.

    ``earlier``: the window, oldest first; ``logbook``: the entries up to the session's start.
    """
    header = first.header
    own = {
        name: Own(
            session_id=header.session_id,
            start_time=header.start_time,
            duration_s=header.duration_s,
            result=result,
            vehicle=vehicle,
            logbook=tuple(logbook),
            continues=header.continues.session if header.continues else None,
        )
        for name, result in first.results.items()
    }
    seen = {name: [_earlier(s, name) for s in earlier] for name in own}
    judged = judge(own, seen, registry, strict=False)
    results = conclude(
        Case(
            session_id=header.session_id,
            start_time=header.start_time,
            duration_s=header.duration_s,
            vehicle=vehicle,
            channels=frozenset(header.channels),
            results=judged,
            logbook=tuple(logbook),
            earlier=[_earlier(s, "") for s in earlier],
        ),
        registry,
    )
    used = HistoryUsed(sessions=len(earlier), digest=history_digest[:16])
    document = assemble(header, results, registry, used)
    return document, _summary(document, results, registry, vehicle_id), results


def _earlier(summary: Summary, analysis: str) -> Earlier:
    return Earlier(
        session_id=summary.id,
        start_time=summary.start_time,
        duration_s=summary.duration_s,
        digest=digest_of(summary, analysis),
        version=summary.versions.get(analysis, 0),
        metrics=summary.metrics,
        findings=summary.findings,
        limits_of_detection=summary.limits_of_detection,
    )


def digest_of(summary: Summary, analysis: str) -> dict[str, Any]:
    """What an analysis left for later sessions, {} where it left nothing."""
    raw = summary.digests.get(analysis)
    return {} if raw is None else msgspec.json.decode(raw, type=dict[str, Any])


def kept_digest(result: Result) -> dict[str, Any]:
    """What later sessions get of a digest: keys with a leading underscore end with the session."""
    return {name: v for name, v in result.digest.items() if not name.startswith("_")}


def _summary(
    document: Document, results: Mapping[str, Result], registry: Registry, vehicle_id: str
) -> Summary:
    return Summary(
        id=document.session_id,
        vehicle=vehicle_id,
        file=document.source.file,
        first_line=document.source.first_line,
        start_time=document.start_time,
        start_time_source=document.start_time_source,
        duration_s=document.duration_s,
        continues=document.continues,
        versions={k: registry.analyses[k].meta.version for k in sorted(results)},
        statuses={k: results[k].status for k in sorted(results)},
        digests={
            k: msgspec.Raw(to_json(d)) for k, r in sorted(results.items()) if (d := kept_digest(r))
        },
        metrics=document.metrics,
        metric_sources=dict(sorted((m, k) for k, r in results.items() for m in r.metrics)),
        findings=document.findings,
        limits_of_detection=document.limits_of_detection,
        verdict=document.verdict,
    )
