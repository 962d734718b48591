"""What moved over the sessions of one vehicle, in words, small charts and a table."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.changes import (
    CIRCUMSTANCES,
    Effect,
    Series,
    Trend,
    effects_of,
    series_of,
    together,
    trends_of,
)
from pipeline.history import Summary, local_time
from pipeline.logbook import Entry
from pipeline.report.charts import Drawn, draw_curve
from pipeline.report.units import Units
from pipeline.report.view import metric_shown, metric_unit, metric_words
from pipeline.results import Curve, Line, Mark

#: Points a trend's line keeps; more sessions are pooled by their median.
MOST_POINTS = 60
#: Charts per vehicle: the clearest first, the rest stands in the table.
MOST_CHARTS = 8
#: Logbook marks in one chart.
MOST_MARKS = 6


@dataclass(frozen=True)
class Moved:
    """A metric that moved: the sentence, and its chart."""

    sentence: str
    chart: Drawn


@dataclass(frozen=True)
class TableRow:
    """A metric in the table of all: latest value, range, sessions, and what is said of it."""

    name: str
    latest: str
    low: str
    high: str
    sessions: int
    said: str


@dataclass(frozen=True)
class Trends:
    """What blocks/trends.html shows of one vehicle; ``waiting``: work not to be judged yet."""

    moved: Sequence[Moved]
    effects: Sequence[str]
    rows: Sequence[TableRow]
    entries: Sequence[tuple[str, str, str]]
    waiting: Sequence[str]


def trends_page(
    name: str, summaries: Sequence[Summary], logbook: Sequence[Entry], units: Units
) -> Trends | None:
    """Trends of one vehicle's sessions, oldest first; None with fewer than two sessions."""
    if len(summaries) < 2:
        return None
    series = series_of(summaries)
    trends = trends_of(series)
    effects = effects_of(series, logbook)
    by_name = {s.name: s for s in series}
    called = [t for t in trends if t.called]
    stepped = [e for e in effects if e.called]
    # Where both are called one explains the other: a drift steps at every entry, a step tilts.
    both = {t.name for t in called} & {e.name for e in stepped}
    steps = {n for n in both if _steps_fit(by_name[n], [e for e in stepped if e.name == n])}
    called = [t for t in called if t.name not in steps][:MOST_CHARTS]
    stepped = [e for e in stepped if e.name not in both - steps]
    shown = list(dict.fromkeys([*(t.name for t in called), *(e.name for e in stepped)]))
    said = {t.name: _trend_words(t, units) for t in called}
    moved = [
        Moved(
            sentence=said.get(metric, ""),
            chart=_chart(f"{name}-{number}", by_name[metric], logbook, units),
        )
        for number, metric in enumerate(shown[:MOST_CHARTS])
    ]
    return Trends(
        moved=moved,
        effects=[_effect_words(e, units) for e in stepped],
        rows=[_row(s, trends, units, steps) for s in series],
        entries=[(e.when.replace("T", " ")[:16], e.kind, e.text) for e in logbook],
        waiting=_waiting(series, effects, logbook),
    )


def _waiting(
    series: Sequence[Series], effects: Sequence[Effect], logbook: Sequence[Entry]
) -> list[str]:
    """Say which work cannot be told to have helped or not: too few sessions on a side of it."""
    judged = {e.entry.when for e in effects}
    return [
        f"“{'; '.join(e.text for e in group)}” ({_date(group[-1].when)})"
        for group in together(series, logbook)
        if group[-1].when not in judged
    ]


def _steps_fit(series: Series, effects: Sequence[Effect]) -> bool:
    """Whether levels between the entries fit a metric's sessions better than one straight line.

    Both by the residual variance of least squares, which allows each its parameters.
    """
    y, days = np.array(series.values), np.array(series.days)
    use = np.array(series.versions) == series.versions[-1]
    entries = sorted({e.entry.when for e in effects})
    level = np.array([sum(local_time(s) >= when for when in entries) for s in series.starts])
    y, days, level = y[use], days[use], level[use]
    if y.size < 4 or np.ptp(days) <= 0:
        return True
    line = y - np.polyval(np.polyfit(days, y, 1), days)
    parts = [y[level == k] - y[level == k].mean() for k in np.unique(level)]
    free = max(y.size - len(parts), 1)
    stepped = float(sum(np.sum(p**2) for p in parts)) / free
    return bool(stepped <= float(np.sum(line**2)) / (y.size - 2))


def _date(stamp: str) -> str:
    return local_time(stamp).replace("T", " ")[:10]


def once_in(p: float) -> str:
    """A p value as "once in N", rounded to what it means."""
    if p <= 1e-4:
        return "less than once in 10,000"
    count = 1.0 / p
    size = 10 ** (len(str(int(count))) - 1)
    rounded = int(round(count / size) * size) if count >= 10 else round(count)
    return f"once in {rounded:,}"


def _trend_words(trend: Trend, units: Units) -> str:
    unit = metric_unit(trend.name, trend.unit)
    name = metric_words(trend.name)
    verb = "has grown" if trend.slope > 0 else "has fallen"
    change = abs(trend.last - trend.first)
    # A share of a share, or of what passes through nought, says nothing.
    share = ""
    if unit not in ("%", "degC") and trend.first * trend.last > 0:
        share = f" by {100 * change / abs(trend.first):.0f} %"
    return (
        f"{name} {verb}{share} since {_date(trend.since)}, from about "
        f"{units.show(trend.first, unit)} to {units.show(trend.last, unit)} over {trend.count} "
        f"sessions; chance alone would do that {once_in(trend.p)} such stretches"
    )


def _effect_words(effect: Effect, units: Units) -> str:
    unit = metric_unit(effect.name, effect.unit)
    label = units.label(unit)
    verb = "rose" if effect.shift > 0 else "fell"

    def span(value: float) -> str:
        return f"{units.span(value, unit):.2g} {label}".rstrip()

    # "Fell by 7": the verb holds the sign, so that an end beyond nought alone shows one.
    sign = 1.0 if effect.shift > 0 else -1.0
    low, high = sorted((sign * effect.low, sign * effect.high))

    text = (
        f"After “{effect.entry.text}” ({_date(effect.entry.when)}), "
        f"{metric_words(effect.name)} {verb} by {span(sign * effect.shift)} ({span(low)} to "
        f"{span(high)}, {effect.before} sessions before, {effect.after} after); chance "
        f"alone would do that {once_in(effect.p)} such entries"
    )
    if not effect.fair:
        text += "; not a fair comparison: the calibration changed with it"
    return text


def _chart(name: str, series: Series, logbook: Sequence[Entry], units: Units) -> Drawn:
    x, y, versions = _pooled(series)
    lines = []
    for version in dict.fromkeys(versions):
        use = [i for i, v in enumerate(versions) if v == version]
        lines.append(
            Line(
                label=f"version {version}" if len(set(versions)) > 1 else "",
                x=[x[i] for i in use],
                y=[y[i] for i in use],
            )
        )
    first = local_time(series.starts[0])
    last = local_time(series.starts[-1])
    marks = [
        Mark(
            label=f"{e.when[:10]} {e.text}",
            x=round(_days(e.when) - _days(first) + series.days[0], 2),
        )
        for e in logbook
        if e.kind != "note" and first <= e.when <= last
    ][:MOST_MARKS]
    unit = metric_unit(series.name, series.unit)
    figure = Curve(
        id=name,
        title=metric_words(series.name).capitalize(),
        caption="Each session's value; letters mark entries of the logbook"
        + ("; the line breaks where the method changed." if len(lines) > 1 else "."),
        x_label=f"days since {_date(series.starts[0])}",
        x_unit="d",
        y_label=metric_words(series.name),
        unit=unit,
        lines=lines,
        marks=marks,
    )
    return draw_curve(figure, units, name=f"trend-{name}")


def _pooled(series: Series) -> tuple[list[float], list[float | None], list[int]]:
    """At most MOST_POINTS points: medians of neighbouring sessions, never across versions."""
    count = len(series.values)
    if count <= MOST_POINTS:
        return ([round(d, 3) for d in series.days], list(series.values), list(series.versions))
    x: list[float] = []
    y: list[float | None] = []
    versions: list[int] = []
    for part in np.array_split(np.arange(count), MOST_POINTS):
        latest = series.versions[int(part[-1])]
        use = [int(i) for i in part if series.versions[int(i)] == latest]
        x.append(round(float(np.median([series.days[i] for i in use])), 3))
        y.append(float(np.median([series.values[i] for i in use])))
        versions.append(latest)
    return x, y, versions


def _days(stamp: str) -> float:
    import datetime as dt

    moment = dt.datetime.fromisoformat(stamp)
    return (moment - dt.datetime(1970, 1, 1)).total_seconds() / 86400.0


def _row(series: Series, trends: Sequence[Trend], units: Units, steps: Collection[str]) -> TableRow:
    trend = next((t for t in trends if t.name == series.name), None)
    if series.name in CIRCUMSTANCES:
        said = "of the drive, not of the engine"
    elif trend is None:
        said = "too few sessions to tell"
    elif series.name in steps:
        said = "steps at an entry"
    elif trend.called:
        said = "grows" if trend.slope > 0 else "falls"
    else:
        said = "no trend beyond chance"

    def shown(value: float) -> str:
        return metric_shown(units, series.name, value, series.unit)

    return TableRow(
        name=units.text(metric_words(series.name)),
        latest=shown(series.values[-1]),
        low=shown(min(series.values)),
        high=shown(max(series.values)),
        sessions=len(series.values),
        said=said,
    )
