"""What moved over sessions: a trend per metric, and the step at each logbook entry.

Pure functions of one vehicle's summaries, oldest first, and its logbook. Chance is held by the
false discovery rate over all metrics, most of it spent on the steps.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import msgspec
import numpy as np

from pipeline.history import Summary, local_time
from pipeline.logbook import Entry
from pipeline.signals.moderated import mean_step, variance_prior
from pipeline.signals.trend import benjamini_hochberg, theil_sen

#: Share of called changes that may be chance, and the part of it spent on steps: a step answers
#: what the owner asks with an entry, from few sessions; a trend has all of them and can wait.
FALSE_DISCOVERY_RATE = 0.05
SHARE_FOR_STEPS = 0.8
#: Figures of the drive or the day, not of the engine's state: shown, never tested.
CIRCUMSTANCES = frozenset(
    {"distance_km", "wide_open_time_s", "boost_time_s", "engine_speed_max_rpm", "heat_cycles",
     "barometric_pressure_kpa", "ambient_temperature_c", "start_temperature_c"}
)  # fmt: skip
#: Sessions a trend needs: with fewer no order of them is rarer than 1 in 60.
LEAST_FOR_TREND = 6
#: Sessions a step needs on each side, so that a spread can be told at all.
LEAST_ON_A_SIDE = 3
#: Entries of these kinds change the car; notes and checks change nothing.
CHANGES_CAR = ("repair", "part", "table", "fuel")


@dataclass(frozen=True)
class Series:
    """A metric over sessions. days: since the vehicle's first session; ``version`` per point."""

    name: str
    unit: str
    sessions: tuple[str, ...]
    starts: tuple[str, ...]
    days: tuple[float, ...]
    values: tuple[float, ...]
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]
    versions: tuple[int, ...]


@dataclass(frozen=True)
class Trend:
    """Trend of a metric over its sessions of one version: slope per day with its interval."""

    name: str
    unit: str
    count: int
    slope: float
    low: float
    high: float
    first: float
    last: float
    since: str
    days: float
    p: float
    called: bool


@dataclass(frozen=True)
class Effect:
    """Step of a metric at a logbook entry. ``fair``: the calibration did not change with it."""

    entry: Entry
    name: str
    unit: str
    before: int
    after: int
    level: float
    shift: float
    low: float
    high: float
    p: float
    called: bool
    fair: bool


def series_of(summaries: Sequence[Summary]) -> list[Series]:
    """All metrics as series, by name."""
    if not summaries:
        return []
    start = _day(summaries[0].start_time)
    found: dict[str, list[tuple[Summary, int, float]]] = {}
    for summary in summaries:
        day = _day(summary.start_time) - start
        for name in summary.metrics:
            version = summary.versions.get(summary.metric_sources.get(name, ""), 0)
            found.setdefault(name, []).append((summary, version, day))
    return [
        Series(
            name=name,
            unit=rows[-1][0].metrics[name].unit,
            sessions=tuple(s.id for s, _, _ in rows),
            starts=tuple(s.start_time for s, _, _ in rows),
            days=tuple(day for _, _, day in rows),
            values=tuple(s.metrics[name].value for s, _, _ in rows),
            low=tuple(s.metrics[name].low for s, _, _ in rows),
            high=tuple(s.metrics[name].high for s, _, _ in rows),
            versions=tuple(v for _, v, _ in rows),
        )
        for name, rows in sorted(found.items())
    ]


def _day(stamp: str) -> float:
    try:
        moment = dt.datetime.fromisoformat(local_time(stamp))
    except ValueError:
        return 0.0
    return (moment - dt.datetime(1970, 1, 1)).total_seconds() / 86400.0


def trends_of(series: Sequence[Series]) -> list[Trend]:
    """Trend of every metric with enough sessions of its latest version, the clearest first."""
    found = []
    for one in series:
        if one.name in CIRCUMSTANCES:
            continue
        use = [i for i, v in enumerate(one.versions) if v == one.versions[-1]]
        x, y = np.array(one.days)[use], np.array(one.values)[use]
        if len(use) < LEAST_FOR_TREND or np.ptp(x) <= 0 or np.ptp(y) == 0:
            continue
        slope = theil_sen(x, y)
        found.append(
            Trend(
                name=one.name,
                unit=one.unit,
                count=len(use),
                slope=slope.slope,
                low=slope.low,
                high=slope.high,
                first=slope.intercept + slope.slope * float(x[0]),
                last=slope.intercept + slope.slope * float(x[-1]),
                since=one.starts[use[0]],
                days=float(np.ptp(x)),
                p=slope.p,
                called=False,
            )
        )
    called = benjamini_hochberg(
        np.array([t.p for t in found]), FALSE_DISCOVERY_RATE * (1.0 - SHARE_FOR_STEPS)
    )
    marked = [replace(t, called=bool(c)) for t, c in zip(found, called, strict=True)]
    return sorted(marked, key=lambda t: (not t.called, t.p, t.name))


def effects_of(series: Sequence[Series], logbook: Sequence[Entry]) -> list[Effect]:
    """Step of every metric at every entry that changed the car, the clearest first.

    Before reaches back to the entry before, after up to the entry after, so that one step is
    not credited to another's cause; entries too close to be told apart are one. The spread of few
    sessions is steadied by that of the other metrics, each in parts of its own level.
    """
    groups = together(series, logbook)
    rows = []
    for number, group in enumerate(groups):
        since = groups[number - 1][-1].when if number else ""
        until = groups[number + 1][0].when if number + 1 < len(groups) else "~"
        entry = _as_one(group)
        for one in series:
            row = _around(one, group, since, until)
            if row is not None:
                rows.append((entry, one, *row))
    spreads = [
        (_variance(b / scale, a / scale), b.size + a.size - 2.0) for _, _, b, a, scale in rows
    ]
    prior = variance_prior(np.array([s for s, _ in spreads]), np.array([d for _, d in spreads]))
    effects = []
    for entry, one, before, after, scale in rows:
        step = mean_step(before / scale, after / scale, prior)
        effects.append(
            Effect(
                entry=entry,
                name=one.name,
                unit=one.unit,
                before=before.size,
                after=after.size,
                level=float(before.mean()),
                shift=step.shift * scale,
                low=step.low * scale,
                high=step.high * scale,
                p=step.p,
                called=False,
                fair=entry.calibration is None,
            )
        )
    called = benjamini_hochberg(
        np.array([e.p for e in effects]), FALSE_DISCOVERY_RATE * SHARE_FOR_STEPS
    )
    marked = [replace(e, called=bool(c)) for e, c in zip(effects, called, strict=True)]
    return sorted(marked, key=lambda e: (not e.called, e.p, e.entry.when, e.name))


def together(series: Sequence[Series], logbook: Sequence[Entry]) -> list[list[Entry]]:
    """Entries that changed the car; those with too few sessions between them are one group.

    Two jobs of one evening, or with a drive between them, can only be judged together.
    """
    stamps = {local_time(s) for one in series for s in one.starts}
    groups: list[list[Entry]] = []
    for entry in logbook:
        if not (entry.kind in CHANGES_CAR or entry.touched or entry.table):
            continue
        last = groups[-1][-1].when if groups else ""
        if groups and sum(last <= s < entry.when for s in stamps) < LEAST_ON_A_SIDE:
            groups[-1].append(entry)
        else:
            groups.append([entry])
    return groups


def _as_one(group: Sequence[Entry]) -> Entry:
    """The last entry of a group, with what all of them say."""
    return msgspec.structs.replace(
        group[-1],
        text="; ".join(e.text for e in group),
        calibration=next((e.calibration for e in group if e.calibration is not None), None),
    )


def _around(
    one: Series, group: Sequence[Entry], since: str, until: str
) -> tuple[np.ndarray, np.ndarray, float] | None:
    """Values before and after a group of entries in the latest version, and their own scale."""
    if one.name in CIRCUMSTANCES:
        return None
    stamps = [local_time(s) for s in one.starts]
    same = [v == one.versions[-1] for v in one.versions]
    values = np.array(one.values)
    before = values[[ok and since <= s < group[0].when for s, ok in zip(stamps, same, strict=True)]]
    after = values[[ok and group[-1].when <= s < until for s, ok in zip(stamps, same, strict=True)]]
    if min(before.size, after.size) < LEAST_ON_A_SIDE:
        return None
    scale = float(np.median(np.abs(np.concatenate([before, after]))))
    return (before, after, scale) if scale > 0 else None


def _variance(before: np.ndarray, after: np.ndarray) -> float:
    squares = np.sum((before - before.mean()) ** 2) + np.sum((after - after.mean()) ** 2)
    return float(squares / (before.size + after.size - 2))
