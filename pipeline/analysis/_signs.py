"""Signs of the diagnosis: conditions written as data, each checked by a small pure function.

A sign is True (seen), False (looked for and not seen) or None (this log could not show it).
The difference between the last two matters: what could not be seen speaks for nothing.
"""

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Any

import msgspec
import numpy as np

from pipeline.analysis._shape_signs import seen_shape
from pipeline.doubt import lies_of, spoils
from pipeline.logbook import Entry
from pipeline.meta import Case
from pipeline.results import SEVERITIES, Finding, Severity

#: Days after which work on the car is no longer the first suspect: common practice, no source.
RECENT_WORK_DAYS = 45.0
#: Confidence of a sensor fault from which what rests on that sensor is no evidence.
SURE_OF_SENSOR = 0.75
#: Earlier sessions needed before a change against them means something.
HISTORY_SESSIONS = 3


class Condition(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One condition; exactly one of the first six keys says what is looked at.

    finding: a kind of the contract, narrowed by mode, channel (any of), severity (at least),
    cause (a likely cause of the finding that names one of these words) and evidence.
    metric: a metric's value, ``minus`` another one. digest: ``analysis:path.to.value``
    (a number instead of a name: a place in a list).
    change: a metric against the vehicle's own median of earlier sessions. work: an area that the
    logbook says was touched lately; ``fuel`` entries answer to "fill". shape: of the whole fuel
    table's error, see ``_shape_signs``.
    above, below, equals: what the number (or text) has to be.
    """

    finding: str = ""
    metric: str = ""
    digest: str = ""
    change: str = ""
    work: str = ""
    shape: str = ""
    mode: list[str] = []
    channel: list[str] = []
    severity: Severity = "info"
    cause: list[str] = []
    evidence: str = ""
    minus: str = ""
    above: float | None = None
    below: float | None = None
    equals: str | float | bool | None = None


class Sign(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A sign: seen when any of ``any`` holds and all of ``all`` do.

    block: signs of one trace share a block and vote once. background: how often it is seen
    without any of the causes that list it.
    """

    text: str
    block: str
    any: list[Condition] = []
    all: list[Condition] = []
    background: float | None = None


def observe(sign: Sign, case: Case) -> bool | None:
    """Tell whether a sign is seen (True), is absent (False) or cannot be told (None)."""
    parts: list[bool | None] = []
    if sign.any:
        found = [check(c, case) for c in sign.any]
        parts.append(True if True in found else (False if False in found else None))
    parts += [check(c, case) for c in sign.all]
    if False in parts:
        return False
    return None if None in parts or not parts else True


def check(condition: Condition, case: Case) -> bool | None:
    """Check one condition."""
    if condition.finding:
        return _finding(condition, case)
    if condition.metric:
        return _in_range(_metric(case, condition.metric, condition.minus), condition)
    if condition.digest:
        return _in_range(digest_value(case, condition.digest), condition)
    if condition.change:
        return _in_range(change_from_own(case, condition.change), condition)
    if condition.work:
        return worked_on(case, condition.work)
    if condition.shape:
        if "lean_running" in untrusted_kinds(case):
            return None
        table = case.results.get("fuel_table")
        rail = case.vehicle.injector.rated_pressure_kpa
        return seen_shape(table.digest if table else {}, rail, condition.shape)
    return None


def untrusted_kinds(case: Case) -> set[str]:
    """Kinds of findings that a faulty sensor of this session could have made up.

    What is read from a sensor that cannot be believed speaks for no cause, nor does its absence.
    """
    lies = lies_of(case.results)
    resting = {f.kind for f in case.findings if any(spoils(lie, f) for lie in lies)}
    return resting | {
        kind
        for f in case.findings
        if f.kind == "sensor_fault" and f.severity != "info" and f.confidence >= SURE_OF_SENSOR
        for kind in f.blocks
    }


def findings_of(case: Case, condition: Condition) -> list[Finding]:
    """Findings that a condition on findings picks out."""
    picked = []
    for finding in case.findings:
        if finding.kind != condition.finding:
            continue
        if SEVERITIES.index(finding.severity) < SEVERITIES.index(condition.severity):
            continue
        if condition.mode and finding.mode not in condition.mode:
            continue
        if condition.channel and not set(condition.channel) & set(finding.channels):
            continue
        if condition.cause and not _names_cause(finding, condition.cause):
            continue
        if condition.evidence:
            value = finding.evidence.get(condition.evidence)
            if value is None or not _in_range(value.value, condition):
                continue
        picked.append(finding)
    return picked


def _names_cause(finding: Finding, words: Sequence[str]) -> bool:
    """Whether the finding's first two likely causes name one of the words."""
    first = sorted(finding.likely_causes, key=lambda c: -c.probability)[:2]
    return any(word in cause.cause.lower() for cause in first for word in words)


def _finding(condition: Condition, case: Case) -> bool | None:
    if condition.finding in untrusted_kinds(case):
        return None
    if findings_of(case, condition):
        return True
    limits = [
        r.limits_of_detection[condition.finding]
        for r in case.results.values()
        if condition.finding in r.limits_of_detection
    ]
    if any(limit.could_show for limit in limits):
        return False
    if any(f.kind == condition.finding for f in case.findings):
        return False
    return None


def _metric(case: Case, name: str, minus: str) -> float | None:
    value = metric_value(case, name)
    if value is None or not minus:
        return value
    other = metric_value(case, minus)
    return None if other is None else value - other


def metric_value(case: Case, name: str) -> float | None:
    """Value of a metric of this session, None where no analysis gave it."""
    for _, result in sorted(case.results.items()):
        if name in result.metrics:
            return result.metrics[name].value
    return None


def digest_value(case: Case, path: str) -> Any:
    """Value in an analysis' digest by ``analysis:key.key``, None where it is not there."""
    name, _, keys = path.partition(":")
    result = case.results.get(name)
    value: Any = None if result is None else result.digest
    for key in keys.split("."):
        if isinstance(value, list) and key.isdigit() and int(key) < len(value):
            value = value[int(key)]
        else:
            value = value.get(key) if isinstance(value, dict) else None
    return value


def change_from_own(case: Case, name: str) -> float | None:
    """A metric minus its median over the vehicle's earlier sessions, None with too few."""
    value = metric_value(case, name)
    earlier = [e.metrics[name].value for e in case.earlier if name in e.metrics]
    if value is None or len(earlier) < HISTORY_SESSIONS:
        return None
    return value - float(np.median(earlier))


def worked_on(case: Case, area: str) -> bool | None:
    """Whether the logbook says that an area was touched shortly before the session.

    None with an empty logbook: silence is no evidence.
    """
    if not case.logbook:
        return None
    recent = recent_entries(case)
    if area == "fill":
        return any(e.kind == "fuel" for e in recent)
    return any(area in e.touched for e in recent)


def recent_entries(case: Case) -> list[Entry]:
    """Entries of the last RECENT_WORK_DAYS before the session, in order of time."""
    start = parse_when(case.start_time)
    if start is None:
        return list(case.logbook)
    since = start - dt.timedelta(days=RECENT_WORK_DAYS)
    picked = []
    for entry in case.logbook:
        when = parse_when(entry.when)
        if when is not None and since <= when <= start:
            picked.append(entry)
    return picked


def last_work(case: Case) -> Entry | None:
    """Return the last entry before the session that says what it touched."""
    start = parse_when(case.start_time)
    for entry in reversed(list(case.logbook)):
        when = parse_when(entry.when)
        if entry.touched and (start is None or when is None or when <= start):
            return entry
    return None


def parse_when(text: str) -> dt.datetime | None:
    """ISO 8601 text as local time without its offset, None where it is none."""
    try:
        return dt.datetime.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        return None


def _in_range(value: Any, condition: Condition) -> bool | None:
    if value is None:
        return None
    if condition.equals is not None:
        return bool(value == condition.equals)
    if not isinstance(value, int | float) or isinstance(value, bool):
        return None
    if condition.above is not None and not value >= condition.above:
        return False
    return not (condition.below is not None and not value <= condition.below)


def kinds_of(conditions: Iterable[Condition]) -> list[str]:
    """Finding kinds that conditions look at."""
    return [c.finding for c in conditions if c.finding]
