"""Runs facts and analyses: narrows what each sees, isolates failures, marks what is not judged.

Three steps, all free of I/O: :func:`analyse` on one session's samples (pass A), :func:`judge`
with what earlier sessions left (pass B), :func:`conclude` on everything found.
"""

import contextlib
import time
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import msgspec
import numpy as np

from pipeline.doubt import doubted
from pipeline.meta import Case, Earlier, FactMeta, Meta, Own
from pipeline.registry import Fact, Registry
from pipeline.results import Result, finite_metrics, not_judged
from pipeline.session import NotAvailableError, Session, View

#: The fact that a session's document lists, whoever asked for it.
STATES = "states"


@dataclass
class Timings:
    """CPU seconds by fact and analysis, for the benchmark's table."""

    seconds: dict[str, float] = field(default_factory=dict)

    _inner: float = 0.0

    @contextlib.contextmanager
    def of(self, name: str) -> Iterator[None]:
        """Add the CPU time of the block under ``name``, less what is timed within it."""
        outer, self._inner = self._inner, 0.0
        start = time.process_time()
        try:
            yield
        finally:
            spent = time.process_time() - start
            self.seconds[name] = self.seconds.get(name, 0.0) + spent - self._inner
            self._inner = outer + spent


class AnalysisFailedError(Exception):
    """Raised under ``strict`` (tests, judge) in place of a result marked failed."""


def missing_channels(meta: FactMeta | Meta, channels: Mapping[str, Any]) -> str:
    """Say in words which channels are missing, "" when none is."""
    absent = [name for name in meta.needs if name not in channels]
    if absent:
        return f"not in the log: {', '.join(_spoken(n) for n in absent)}"
    for group in meta.needs_any:
        if not any(name in channels for name in group):
            # A second probe goes without saying.
            named = [n for n in group if n.removesuffix("_2") == n or n[:-2] not in group]
            return f"not in the log: {' or '.join(_spoken(n) for n in named)}"
    return ""


def _spoken(name: str) -> str:
    return name.replace("_", " ")


class Kept(Protocol):
    """Where facts that follow from the vehicle alone are kept; the caller says where."""

    def load(self, fact: str, key: str) -> bytes | None:
        """Bytes kept for a fact and key, None where there are none."""

    def save(self, fact: str, key: str, raw: bytes) -> None:
        """Keep the bytes of a fact."""


class FactStore:
    """Computes each fact of a session once, when it is first asked for."""

    def __init__(
        self, session: Session, registry: Registry, timings: Timings, kept: Kept | None = None
    ) -> None:
        self._session, self._registry, self._timings = session, registry, timings
        self._kept = kept
        self._open: list[str] = []

    def view(self, meta: FactMeta | Meta) -> View:
        """Make the view that ``meta`` is entitled to."""
        flat = [name for group in meta.needs_any for name in group]
        return View(
            self._session,
            allowed=(*meta.needs, *flat, *meta.uses),
            facts=(*meta.facts, *meta.optional_facts),
            resolve=lambda name: self.get(name, optional=name in meta.optional_facts),
        )

    def get(self, name: str, *, optional: bool) -> Any:
        """Value of a fact; raises NotAvailableError, or gives None where it is optional."""
        if name not in self._session.facts:
            self._session.facts[name] = self._compute(name)
        value = self._session.facts[name]
        if isinstance(value, NotAvailableError):
            if optional:
                return None
            raise value
        return value

    def why_missing(self, meta: FactMeta | Meta) -> str:
        """Why an analysis or a fact cannot be had, "" when it can."""
        missing = missing_channels(meta, self._session.channels)
        if missing:
            return missing
        for name in meta.facts:
            try:
                self.get(name, optional=False)
            except NotAvailableError as error:
                return str(error)
        return ""

    def _compute(self, name: str) -> Any:
        fact = self._registry.facts.get(name)
        if fact is None:
            raise KeyError(f"there is no fact {name!r}")
        if name in self._open:
            raise RuntimeError(f"facts ask for each other: {' > '.join([*self._open, name])}")
        self._open.append(name)
        try:
            missing = self.why_missing(fact.meta)
            if missing:
                return NotAvailableError(missing)
            with self._timings.of(f"fact {name}"):
                try:
                    return self._computed_or_kept(fact)
                except NotAvailableError as error:
                    return error
        finally:
            self._open.pop()

    def _computed_or_kept(self, fact: Fact) -> Any:
        if fact.keep is None or self._kept is None:
            return fact.compute(self.view(fact.meta))
        vehicle = self._session.vehicle
        key = fact.keep.key(vehicle)
        raw = self._kept.load(fact.id, key)
        if raw is not None:
            with contextlib.suppress(ValueError):
                return fact.keep.from_bytes(raw, vehicle)
        value = fact.compute(self.view(fact.meta))
        self._kept.save(fact.id, key, fact.keep.to_bytes(value))
        return value


def analyse(
    session: Session,
    registry: Registry,
    *,
    strict: bool = False,
    timings: Timings | None = None,
    kept: Kept | None = None,
) -> dict[str, Result]:
    """Run every analysis of the log on one session; results by analysis id.

    A missing channel or fact gives ``not_judged``, an exception ``failed`` (raised as
    AnalysisFailedError under ``strict``); the others go on.
    """
    timings = timings if timings is not None else Timings()
    store = FactStore(session, registry, timings, kept)
    results: dict[str, Result] = {}
    later = _asked_later(registry)
    for name, analysis in registry.analyses.items():
        if analysis.analyse is None:
            continue
        try:
            results[name] = _analyse_one(session, store, analysis.meta, analysis.analyse, timings,
                                         name)  # fmt: skip
        except Exception as error:
            results[name] = _failed(name, error, strict=strict)
        # Columns as long as the log: what nobody asks for any more is not held.
        for fact in session.facts.keys() - later[name]:
            del session.facts[fact]
    return results


def _asked_later(registry: Registry) -> dict[str, set[str]]:
    """For each analysis the facts that may still be asked for after it, themselves or by others."""
    later: dict[str, set[str]] = {}
    wanted = {STATES}
    for name, analysis in reversed(list(registry.analyses.items())):
        later[name] = set(wanted)
        new = [*analysis.meta.facts, *analysis.meta.optional_facts] if analysis.analyse else []
        while new:
            fact = new.pop()
            if fact not in wanted and fact in registry.facts:
                meta = registry.facts[fact].meta
                new += [*meta.facts, *meta.optional_facts]
            wanted.add(fact)
    return later


def _analyse_one(
    session: Session, store: FactStore, meta: Meta, run: Any, timings: Timings, name: str
) -> Result:
    if session.duration_s < meta.shortest_s:
        return not_judged(
            f"the log is {session.duration_s:.0f} s long, this needs {meta.shortest_s:.0f} s"
        )
    why = store.why_missing(meta)
    if why:
        return not_judged(why)
    with timings.of(f"analysis {name}"), np.errstate(all="ignore"):
        result = run(store.view(meta))
    if not isinstance(result, Result):
        raise TypeError(f"{name} gave back {type(result).__name__}, not a Result")
    return msgspec.structs.replace(result, metrics=finite_metrics(result.metrics))


def _failed(name: str, error: Exception, *, strict: bool) -> Result:
    if strict:
        raise AnalysisFailedError(f"analysis {name} failed: {error!r}") from error
    text = str(error).splitlines()[0] if str(error) else ""
    return Result(status="failed", why=f"this analysis broke off ({type(error).__name__}: {text})")


def judge(
    own: Mapping[str, Own],
    earlier: Mapping[str, Sequence[Earlier]],
    registry: Registry,
    *,
    strict: bool = False,
) -> dict[str, Result]:
    """Pass B: let each analysis that compares with earlier sessions finish its result.

    own, earlier: by analysis id. A failed or not judged result is passed through, unless its
    analysis left a digest (some judge only by history).
    """
    results: dict[str, Result] = {}
    for name, mine in own.items():
        analysis = registry.analyses[name]
        results[name] = mine.result
        if analysis.judge is None or mine.result.status == "failed":
            continue
        try:
            with np.errstate(all="ignore"):
                results[name] = analysis.judge(mine, earlier.get(name, ()))
        except Exception as error:
            results[name] = _failed(name, error, strict=strict)
    return results


def conclude(case: Case, registry: Registry, *, strict: bool = False) -> dict[str, Result]:
    """Run the analyses that come last, in their order, each seeing the ones before it.

    Before that no finding keeps ``stop`` that rests on no measured channel, and none that rests
    on a reading which lies stays above ``info``.
    """
    results = doubted(case.results)
    results = {name: _logged_only(result, case.channels) for name, result in results.items()}
    last = sorted(
        (a for a in registry.analyses.values() if a.conclude is not None),
        key=lambda a: (a.meta.order, a.id),
    )
    fields = {f: getattr(case, f) for f in Case.__dataclass_fields__}
    for analysis in last:
        assert analysis.conclude is not None
        try:
            results[analysis.id] = analysis.conclude(Case(**{**fields, "results": dict(results)}))
        except Exception as error:
            results[analysis.id] = _failed(analysis.id, error, strict=strict)
    return results


def _logged_only(result: Result, channels: Collection[str]) -> Result:
    """Keep of a finding's channels those in the log; with none of them ``stop`` becomes ``act``.

    The contract: stop needs a measured channel. Analyses may name all the readings that a finding
    would be concluded from.
    """
    findings = []
    for f in result.findings:
        measured = [name for name in f.channels if name in channels]
        f = msgspec.structs.replace(f, channels=measured)
        if f.severity == "stop" and not measured:
            f = msgspec.structs.replace(f, severity="act", step=max(f.step, 1))
        findings.append(f)
    return msgspec.structs.replace(result, findings=findings)


def run_all(
    session: Session,
    registry: Registry,
    *,
    strict: bool = False,
    logbook: Sequence[Any] = (),
    earlier: Mapping[str, Sequence[Earlier]] | None = None,
) -> dict[str, Result]:
    """All three steps on one session, in memory: for tests, the judge and interactive use."""
    first = analyse(session, registry, strict=strict)
    own = {
        name: Own(session_id=session.id, start_time=session.start_time,
                  duration_s=session.duration_s, result=result, vehicle=session.vehicle,
                  logbook=tuple(logbook),
                  continues=session.continues.session if session.continues else None)
        for name, result in first.items()
    }  # fmt: skip
    judged = judge(own, earlier or {}, registry, strict=strict)
    case = Case(
        session_id=session.id,
        start_time=session.start_time,
        duration_s=session.duration_s,
        vehicle=session.vehicle,
        channels=frozenset(session.channels),
        results=judged,
        logbook=tuple(logbook),
        earlier=next(iter((earlier or {}).values()), ()),
    )
    return conclude(case, registry, strict=strict)
