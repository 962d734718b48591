"""What facts and analyses say of themselves, and what pass B and the last ones get to see."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pipeline.logbook import Entry
from pipeline.results import Finding, LimitOfDetection, Metric, Result
from pipeline.vehicle import Vehicle


@dataclass(frozen=True, kw_only=True)
class FactMeta:
    """What a fact needs: channels it must have, may use, and facts it builds on.

    ``needs_any``: of each group at least one. ``facts`` must be available, else this one is not
    either; ``optional_facts`` may be None.
    """

    summary: str
    version: int
    needs: tuple[str, ...] = ()
    needs_any: tuple[tuple[str, ...], ...] = ()
    uses: tuple[str, ...] = ()
    facts: tuple[str, ...] = ()
    optional_facts: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Meta:
    """What an analysis says of itself; the runner turns what is missing into ``not_judged``.

    ``question`` is what it answers, as the owner would ask it. ``kinds``: finding kinds of the
    contract it may report. ``shortest_s``: the shortest session it can judge. ``step``: place of
    its section on the page (0-5, the order of acting). ``references``: where its methods come
    from. ``order`` 0 for an analysis of the log; 1 and up for those that run last, on what the
    others found (``conclude`` in place of ``analyse``), in that order.
    """

    question: str
    version: int
    kinds: tuple[str, ...]
    references: tuple[str, ...]
    needs: tuple[str, ...] = ()
    needs_any: tuple[tuple[str, ...], ...] = ()
    uses: tuple[str, ...] = ()
    facts: tuple[str, ...] = ()
    optional_facts: tuple[str, ...] = ()
    shortest_s: float = 0.0
    step: int = 2
    order: int = 0


@dataclass(frozen=True, kw_only=True)
class Earlier:
    """An earlier session of the same vehicle, as ``judge`` sees it.

    ``digest`` is the one this same analysis left, with the version it had then; {} where none.
    ``findings`` are all that stood in that session's result (kind, severity, step).
    """

    session_id: str
    start_time: str
    duration_s: float
    digest: Mapping[str, Any]
    version: int
    metrics: Mapping[str, Metric]
    findings: Sequence[Finding]
    limits_of_detection: Mapping[str, LimitOfDetection] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Own:
    """The session being judged in pass B, as ``judge`` sees it.

    ``result`` is what ``analyse`` gave; ``judge`` returns the final result (the same one, or
    ``msgspec.structs.replace`` of it). ``previous`` is the session this one continues, if any.
    ``logbook``: all entries of the vehicle up to this session's start.
    """

    session_id: str
    start_time: str
    duration_s: float
    result: Result
    vehicle: Vehicle
    logbook: Sequence[Entry] = ()
    continues: str | None = None

    def under_this_calibration(self, history: Sequence[Earlier]) -> list[Earlier]:
        """Earlier sessions since the logbook's calibration got the name it has now; all if none.

        What another calibration asked for says nothing of what this one should give.
        """
        named = [e for e in self.logbook if e.calibration is not None]
        others = [n for n, e in enumerate(named) if e.calibration != named[-1].calibration]
        begun = named[others[-1] + 1 if others else 0].when if named else ""
        return [e for e in history if e.start_time[:19] >= begun]


@dataclass(frozen=True, kw_only=True)
class Case:
    """Everything known of a session when the last analyses (diagnosis, verdict) conclude.

    ``results`` by analysis id, after pass B. ``channels`` are the logged canonical names.
    ``logbook``: the entries up to the session's start. ``earlier``: oldest first.
    """

    session_id: str
    start_time: str
    duration_s: float
    vehicle: Vehicle
    channels: frozenset[str]
    results: Mapping[str, Result]
    logbook: Sequence[Entry] = ()
    earlier: Sequence[Earlier] = ()

    @property
    def findings(self) -> list[Finding]:
        """All findings of all analyses so far, in order of step, then severity."""
        return sort_findings([f for _, r in sorted(self.results.items()) for f in r.findings])


def sort_findings(findings: Sequence[Finding]) -> list[Finding]:
    """Order findings as they are to be acted on: step, severity, time, kind."""
    rank = {"stop": 0, "act": 1, "watch": 2, "info": 3}
    return sorted(findings, key=lambda f: (f.step, rank[f.severity], f.start_s, f.kind, f.mode))
