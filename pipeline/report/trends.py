"""What moved over the sessions of one vehicle, in words, small charts and a table."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.changes import CIRCUMSTANCES, Effect, Series, Trend, effects_of, series_of, trends_of
from pipeline.history import Summary, local_time
from pipeline.logbook import Entry
from pipeline.report.charts import Drawn, draw_curve
from pipeline.report.units import Units
from pipeline.report.view import metric_unit, metric_words
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
    """What blocks/trends.html shows of one vehicle."""

    moved: Sequence[Moved]
    effects: Sequence[str]
    rows: Sequence[TableRow]
    entries: Sequence[tuple[str, str, str]]


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
    called = [t for t in trends if t.called][:MOST_CHARTS]
    stepped = [e for e in effects if e.called]
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
        rows=[_row(s, trends, units) for s in series],
        entries=[(e.when.replace("T", " ")[:16], e.kind, e.text) for e in logbook],
    )


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
    share = f" by {100 * change / abs(trend.first):.0f} %" if abs(trend.first) > 1e-9 else ""
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
        return f"{units.span(value, unit):+.3g} {label}".rstrip()

    text = (
        f"After “{effect.entry.text}” ({_date(effect.entry.when)}), "
        f"{metric_words(effect.name)} {verb} by {span(effect.shift)} ({span(effect.low)} to "
        f"{span(effect.high)}, {effect.before} sessions before, {effect.after} after); chance "
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
        Mark(label=e.text, x=round(_days(e.when) - _days(first) + series.days[0], 2))
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


def _row(series: Series, trends: Sequence[Trend], units: Units) -> TableRow:
    unit = metric_unit(series.name, series.unit)
    trend = next((t for t in trends if t.name == series.name), None)
    if series.name in CIRCUMSTANCES:
        said = "of the drive, not of the engine"
    elif trend is None:
        said = "too few sessions to tell"
    elif trend.called:
        said = "grows" if trend.slope > 0 else "falls"
    else:
        said = "no trend beyond chance"
    return TableRow(
        name=metric_words(series.name),
        latest=units.show(series.values[-1], unit),
        low=units.show(min(series.values), unit),
        high=units.show(max(series.values), unit),
        sessions=len(series.values),
        said=said,
    )
