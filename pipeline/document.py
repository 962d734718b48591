"""``analysis.json``, ``figures.json`` and the first pass's ``results.json`` as checked models.

``analysis.json`` is the product: pages, trends and messages read it and nothing else.
"""

from collections.abc import Mapping
from typing import Any, Literal

import msgspec
import numpy as np

from pipeline import SCHEMA_VERSION
from pipeline.logbook import Entry
from pipeline.meta import sort_findings
from pipeline.registry import Registry
from pipeline.results import (
    DiagnosisItem,
    Figure,
    Finding,
    LimitOfDetection,
    Metric,
    NextLog,
    Panels,
    ProvenCell,
    Result,
    Severity,
    Status,
    Verdict,
    worst,
)
from pipeline.session import ChannelInfo, Continues, Gap, Marker, Source


class _Data(msgspec.Struct, frozen=True, kw_only=True):
    """Shared settings."""


class Assumed(_Data, frozen=True):
    """One assumed value of the vehicle and where it came from."""

    value: Any
    source: Literal["vehicle.toml", "log", "default"]


class VehicleUsed(_Data, frozen=True):
    """All that was assumed of the vehicle."""

    name: str
    values: dict[str, Assumed]


class Sampling(_Data, frozen=True):
    """How regularly the log was written."""

    median_hz: float | None
    jitter_pct: float | None
    longest_gap_s: float


class Quality(_Data, frozen=True):
    """What reading the log cost."""

    rows_dropped: dict[str, int]
    gaps: list[Gap]


class StateSpan(_Data, frozen=True, omit_defaults=True):
    """One stretch in a state; ``fuel_cut`` only on overrun with fuel cut."""

    state: str
    start_s: float
    end_s: float
    fuel_cut: bool = False


class AnalysisEntry(_Data, frozen=True):
    """One analysis: its question and how it was answered. All of them, always."""

    id: str
    version: int
    question: str
    status: Status
    why: str


class HistoryUsed(_Data, frozen=True):
    """What earlier sessions this one was compared with: how many, and a hash of them."""

    sessions: int
    digest: str


class Header(_Data, frozen=True):
    """The part of the document that is known before any analysis has run."""

    session_id: str
    start_time: str
    start_time_source: Literal["log", "name", "file"]
    duration_s: float
    continues: Continues | None
    source: Source
    vehicle: VehicleUsed
    channels: dict[str, ChannelInfo]
    sampling: Sampling
    quality: Quality
    markers: list[Marker]
    states: list[StateSpan]


class Document(_Data, frozen=True):
    """``analysis.json``, field for field as the contract has it."""

    schema_version: int
    session_id: str
    start_time: str
    start_time_source: Literal["log", "name", "file"]
    duration_s: float
    continues: Continues | None
    source: Source
    vehicle: VehicleUsed
    channels: dict[str, ChannelInfo]
    sampling: Sampling
    quality: Quality
    markers: list[Marker]
    states: list[StateSpan]
    analyses: list[AnalysisEntry]
    findings: list[Finding]
    metrics: dict[str, Metric]
    limits_of_detection: dict[str, LimitOfDetection]
    diagnosis: list[DiagnosisItem]
    verdict: Verdict
    proven_range: list[ProvenCell]
    next_log: list[NextLog]
    history: HistoryUsed


class FirstPass(_Data, frozen=True):
    """``results.json``: what pass A left for the later passes; results without their figures."""

    schema_version: int
    header: Header
    results: dict[str, Result]
    versions: dict[str, int]


class Figures(_Data, frozen=True):
    """``figures.json``: figures by analysis; ``history`` holds those that pass B added.

    ``stretches``: the moments findings stand on, cut from the log in pass A. ``logbook``: the
    entries up to the session's start, for the hand checks on its page. ``references``: where each
    analysis' methods come from.
    """

    schema_version: int
    session_id: str
    figures: dict[str, list[Figure]]
    history: dict[str, list[Figure]] = {}
    stretches: list[Panels] = []
    logbook: list[Entry] = []
    references: dict[str, list[str]] = {}


def without_figures(result: Result) -> Result:
    """Copy a result without its figures (they lie in their own file)."""
    return msgspec.structs.replace(result, figures=[])


def assemble(
    header: Header, results: Mapping[str, Result], registry: Registry, history: HistoryUsed
) -> Document:
    """Put the document together from the header and all results.

    Metrics of several analyses never share a name (a test holds this); where the last
    analyses gave no verdict, the severities alone speak.
    """
    entries = [
        AnalysisEntry(
            id=name,
            version=analysis.meta.version,
            question=analysis.meta.question,
            status=results[name].status,
            why=results[name].why,
        )
        for name, analysis in sorted(
            registry.analyses.items(), key=lambda kv: (kv[1].meta.order, kv[1].meta.step, kv[0])
        )
        if name in results
    ]
    ordered = [results[e.id] for e in entries]
    findings = sort_findings([_inside(f, header) for r in ordered for f in r.findings])
    metrics = {k: v for r in ordered for k, v in r.metrics.items()}
    limits = {k: v for r in ordered for k, v in r.limits_of_detection.items()}
    verdicts = [r.verdict for r in ordered if r.verdict is not None]
    return Document(
        schema_version=SCHEMA_VERSION,
        **{name: getattr(header, name) for name in Header.__struct_fields__},
        analyses=entries,
        findings=findings,
        metrics=dict(sorted(metrics.items())),
        limits_of_detection=dict(sorted(limits.items())),
        diagnosis=[d for r in ordered for d in r.diagnosis],
        verdict=verdicts[-1] if verdicts else _plain_verdict(findings),
        proven_range=[c for r in ordered for c in r.proven_range],
        next_log=[n for r in ordered for n in r.next_log],
        history=history,
    )


def _inside(finding: Finding, header: Header) -> Finding:
    """A finding whose reading was moved back by its delay may begin before the log does."""
    start = min(max(finding.start_s, 0.0), header.duration_s)
    end = min(max(finding.end_s, start), header.duration_s)
    return msgspec.structs.replace(finding, start_s=start, end_s=end)


def _plain_verdict(findings: list[Finding]) -> Verdict:
    severity: Severity = worst([f.severity for f in findings])
    kinds = list(dict.fromkeys(f.kind for f in findings if f.severity == severity))
    text = (
        f"{len(findings)} findings, the most severe says {severity}; read them before driving."
        if findings
        else "Nothing was found; that is no permission to drive."
    )
    return Verdict(severity=severity, text=text, because=kinds if findings else [], not_watched=[])


def encode(value: Any) -> bytes:
    """JSON bytes, indented by one blank, no NaN, keys in the model's order, line end at last."""
    return msgspec.json.format(to_json(value), indent=1) + b"\n"


def encode_compact(value: Any) -> bytes:
    """JSON bytes without white space, for what only programs read."""
    return to_json(value) + b"\n"


def to_json(value: Any) -> bytes:
    """JSON bytes; a number that numpy left in a result is a number."""
    return msgspec.json.encode(value, enc_hook=_plain)


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    raise NotImplementedError(f"{type(value).__name__} has no place in a result")
