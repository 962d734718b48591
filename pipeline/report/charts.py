"""Figures of lines, points and bars: drawn as static SVG, with what their live versions need."""

import string
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from markupsafe import Markup

from pipeline.report import specs, svg, theme, ticks
from pipeline.report.shape import Shape
from pipeline.report.summary import digits_of, line_summary
from pipeline.report.units import Units, plain
from pipeline.report.words import STATE
from pipeline.results import Band, Bars, Curve, Line, Mark, Panel, Panels, Points
from pipeline.wording import clock, lasting

#: Shading by more bands than this is a grey mess; they then stand in their own rows alone.
MOST_SHADES = 8
#: Flags with letters beyond this many would cover each other.
MOST_FLAGS = 20
#: Room for one row of bars: its name above, the bar under it.
ROW = 27.0
BAR = 8.0
#: Which axis a column of a data set lies on.
_AXIS_OF = {"x": "x", "x2": "x", "y": "y", "y2": "y", "low": "y", "high": "y"}


@dataclass(frozen=True)
class Key:
    """One entry of a legend; ``number`` picks its line sample."""

    label: str
    number: int


@dataclass(frozen=True)
class Chart:
    """One picture. ``summary``: the sentence for those who do not see it."""

    id: str
    title: str
    unit: str
    picture: Markup
    summary: str
    keys: tuple[Key, ...] = ()
    #: What its x axis is, "" where its ticks say so (minutes and seconds) or its title does.
    across: str = ""


@dataclass(frozen=True)
class Drawn:
    """A figure ready for its template. ``alive``: specs and data of its charts, plain JSON."""

    kind: str
    id: str
    title: str
    caption: str
    charts: tuple[Chart, ...] = ()
    alive: dict[str, Any] | None = None
    flags: tuple[tuple[str, str, str], ...] = ()
    more: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class _Axis:
    """An axis in display units, and where a value falls on it."""

    low: float
    high: float
    size: float

    def at(self, value: float) -> float:
        span = self.high - self.low
        return (value - self.low) / span * self.size if span else 0.0


def _pixels(
    data: Mapping[str, Mapping[str, Sequence[Any]]], across: _Axis, up: _Axis
) -> dict[str, dict[str, list[Any]]]:
    """Data sets in plot coordinates, to a tenth: what the static picture is drawn from."""

    def column(name: str, values: Sequence[Any]) -> list[Any]:
        if name not in _AXIS_OF:
            return list(values)
        axis = across if _AXIS_OF[name] == "x" else up
        factor = axis.size / (axis.high - axis.low) if axis.high > axis.low else 0.0
        low = axis.low
        if None in values:
            return [None if v is None else round((v - low) * factor, 1) for v in values]
        scaled: list[Any] = np.round((np.asarray(values) - low) * factor, 1).tolist()
        return scaled

    return {k: {n: column(n, v) for n, v in columns.items()} for k, columns in data.items()}


def _y_ticks(low: float, high: float, height: float) -> list[tuple[float, str]]:
    places = ticks.linear(low, high, 3 if height < 100 else 5)
    digits = ticks.decimals(places)
    axis = _Axis(low, high, height)
    return [(height - axis.at(v), plain(v, digits)) for v in places]


def _x_ticks(low: float, high: float, *, time: bool) -> list[tuple[float, str]]:
    axis = _Axis(low, high, theme.PLOT)
    if time:
        places = ticks.time(low, high, 5)
        return [(axis.at(v), clock(v) if v == int(v) else f"{v:.1f}") for v in places]
    places = ticks.linear(low, high, 5)
    digits = ticks.decimals(places)
    return [(axis.at(v), plain(v, digits)) for v in places]


def _finite(lines: Sequence[Line]) -> list[float]:
    return [v for ln in lines for part in (ln.y, ln.low or [], ln.high or []) for v in part
            if v is not None]  # fmt: skip


def _line_data(lines: Sequence[Line]) -> dict[str, dict[str, list[Any]]]:
    data: dict[str, dict[str, list[Any]]] = {}
    for i, line in enumerate(lines):
        columns: dict[str, list[Any]] = {"x": line.x, "y": line.y}
        if line.low is not None and line.high is not None:
            columns |= {"low": line.low, "high": line.high}
        data[f"l{i}"] = columns
    return data


def _convert(line: Line, units: Units, x_unit: str, unit: str) -> Line:
    x = [0.0 if v is None else _short(v) for v in units.values([*line.x], x_unit)]

    def column(values: list[float | None]) -> list[float | None]:
        return [None if v is None else _short(v) for v in units.values(values, unit)]

    return Line(label=line.label, x=x, y=column(line.y),
                low=None if line.low is None else column(line.low),
                high=None if line.high is None else column(line.high), step=line.step)  # fmt: skip


def _short(value: float) -> float:
    return float(f"{value:.6g}")


@dataclass(frozen=True)
class _Lines:
    """One panel to draw: everything in display units."""

    id: str
    title: str
    unit: str
    label: str
    lines: Sequence[Line]
    x0: float
    x1: float
    time: bool
    height: float
    labels: bool = True
    shade: Sequence[Band] = ()
    marks: Sequence[Mark] = ()
    flags: bool = False
    points: tuple[list[float], list[float]] | None = None


def _panel(p: _Lines) -> tuple[Chart, dict[str, Any]]:
    values = _finite(p.lines) + (p.points[1] if p.points else [])
    y0, y1 = ticks.domain(values) if values else (0.0, 1.0)
    shape = Shape(
        lines=tuple((ln.low is not None and ln.high is not None, ln.step) for ln in p.lines),
        points=p.points is not None,
        shade=bool(p.shade),
        marks=bool(p.marks),
        flags=p.flags,
        time=p.time,
        height=p.height,
        labels=p.labels,
    )
    data: dict[str, dict[str, list[Any]]] = _line_data(p.lines)
    if p.points is not None:
        data["points"] = {"x": p.points[0], "y": p.points[1]}
    if p.shade:
        data["shade"] = {
            "x": [max(b.start, p.x0) for b in p.shade],
            "x2": [min(b.end, p.x1) for b in p.shade],
        }
    if p.marks:
        data["marks"] = {"x": [m.x for m in p.marks]}
        if p.flags:
            data["marks"]["letter"] = [letter(i) for i in range(len(p.marks))]
    ends = {"x0": p.x0, "x1": p.x1, "y0": _short(y0), "y1": _short(y1)}
    across = _Axis(p.x0, p.x1, theme.PLOT)
    drawn = _pixels(data, across, _Axis(y0, y1, p.height))
    inner = svg.marks(specs.static(shape, drawn), prefix=p.id)
    frame = svg.Frame(
        height=p.height,
        x_ticks=_x_ticks(p.x0, p.x1, time=p.time),
        y_ticks=_y_ticks(y0, y1, p.height),
        flags=[(across.at(m.x), letter(i)) for i, m in enumerate(p.marks)] if p.flags else [],
        labels=p.labels,
    )
    keys = tuple(Key(ln.label, i) for i, ln in enumerate(p.lines))
    chart = Chart(p.id, p.title, p.label, Markup(svg.picture(inner, frame)),
                  line_summary(p.title, p.lines, p.unit, p.label), keys)  # fmt: skip
    alive = {
        "spec": specs.alive(shape, ends),
        "data": data,
        "title": p.title,
        "series": [{"label": ln.label, "unit": p.label} for ln in p.lines],
    }
    return chart, alive


def letter(index: int) -> str:
    """A, B, … Z, A2, B2 …"""
    turn, place = divmod(index, 26)
    return string.ascii_uppercase[place] + (str(turn + 1) if turn else "")


def draw_panels(figure: Panels, units: Units, *, name: str) -> Drawn:
    """Draw stacked panels over one x axis, bands as rows on top, marked places lettered."""
    time = figure.x_unit == "s"
    panels = [
        Panel(title=p.title, unit=p.unit,
              lines=[_convert(ln, units, figure.x_unit, p.unit) for ln in p.lines[:6]])
        for p in figure.panels
    ]  # fmt: skip
    # A target alone, without what should follow it, tells nothing.
    panels = [p for p in panels if {ln.label for ln in p.lines} != {"target"}] or panels
    ends = [v for p in panels for ln in p.lines if ln.x for v in (ln.x[0], ln.x[-1])]
    ends = ends or [v for b in figure.bands for v in (b.start, b.end)] or [0.0, 1.0]
    x0, x1 = min(ends), max(ends)
    x1 = x1 if x1 > x0 else x0 + 1.0
    marks = [m for m in figure.marks if x0 <= m.x <= x1][:MOST_FLAGS]
    bands = [b for b in figure.bands if b.end > x0 and b.start < x1]
    shade = bands if len(bands) <= MOST_SHADES else []
    charts: list[Chart] = []
    alive: list[dict[str, Any]] = []
    order = {name: i for i, name in enumerate(STATE)}
    rows = sorted(dict.fromkeys(b.label for b in bands), key=lambda r: order.get(r, len(order)))
    if len(bands) > MOST_SHADES or len(rows) > 1:
        shade = []
        chart, live = _band_rows(f"{name}-rows", bands, rows, x0, x1, time=time)
        charts.append(chart)
        alive.append(live)
    for i, panel in enumerate(panels):
        chart, live = _panel(
            _Lines(
                id=f"{name}-{i}", title=panel.title, unit=panel.unit,
                label=units.label(panel.unit), lines=panel.lines, x0=x0, x1=x1, time=time,
                height=theme.PANEL_HEIGHT, labels=i == len(panels) - 1, shade=shade, marks=marks,
                flags=i == 0 and bool(marks),
            )
        )  # fmt: skip
        charts.append(chart)
        alive.append(live)
    flags = tuple(
        (letter(i), m.label, clock(m.x) if time else plain(m.x, 1)) for i, m in enumerate(marks)
    )
    return Drawn("charts", name, figure.title, figure.caption, tuple(charts),
                 {"time": time, "x0": x0, "x1": x1, "x_label": figure.x_label,
                  "x_unit": units.label(figure.x_unit), "charts": alive}, flags)  # fmt: skip


def _band_rows(
    name: str, bands: Sequence[Band], rows: Sequence[str], x0: float, x1: float, *, time: bool
) -> tuple[Chart, dict[str, Any]]:
    height = ROW * len(rows)
    names = []
    for row in rows:
        total = sum(b.end - b.start for b in bands if b.label == row)
        names.append(f"{STATE.get(row, row)}, {lasting(total)}" if time else STATE.get(row, row))
    tops = [ROW * rows.index(b.label) + ROW - BAR - 2 for b in bands]
    data: dict[str, dict[str, list[Any]]] = {
        "rows": {
            "x": [_short(max(b.start, x0)) for b in bands],
            "x2": [_short(min(b.end, x1)) for b in bands],
            "y": [height - t for t in tops],
            "y2": [height - t - BAR for t in tops],
        }
    }
    return _rows(name, "What the engine did" if time else "Stretches", "", data, names, height,
                 x0, x1, time=time, summary="; ".join(names))  # fmt: skip


def _rows(
    name: str,
    title: str,
    unit: str,
    data: dict[str, dict[str, list[Any]]],
    names: Sequence[str],
    height: float,
    x0: float,
    x1: float,
    *,
    time: bool,
    summary: str,
) -> tuple[Chart, dict[str, Any]]:
    shape = Shape(rows=True, whiskers="whiskers" in data, time=time, height=height)
    ends = {"x0": x0, "x1": x1, "y0": 0.0, "y1": height}
    drawn = _pixels(data, _Axis(x0, x1, theme.PLOT), _Axis(0.0, height, height))
    inner = svg.marks(specs.static(shape, drawn), prefix=name)
    frame = svg.Frame(
        height=height,
        x_ticks=_x_ticks(x0, x1, time=time),
        texts=[(2, ROW * i + ROW - BAR - 5, text) for i, text in enumerate(names)],
    )
    chart = Chart(name, title, unit, Markup(svg.picture(inner, frame)), f"{title}: {summary}")
    lines = {"y": [height - ROW * i - ROW + BAR + 2 for i in range(len(names))],
             "text": list(names)}  # fmt: skip
    alive = {
        "spec": specs.alive(shape, ends),
        "data": {**data, "names": lines},
        "title": title,
        "series": [],
    }
    return chart, alive


def draw_bars(figure: Bars, units: Units, *, name: str) -> Drawn:
    """Draw bars in rows, each named with its number, with whiskers where intervals are given."""
    values = units.values(figure.values, figure.unit)
    low = units.values(figure.low or [None] * len(values), figure.unit)
    high = units.values(figure.high or [None] * len(values), figure.unit)
    numbers = [v for part in (values, low, high) for v in part if v is not None]
    x0, x1 = min([0.0, *numbers]), max([0.0, *numbers])
    x1 = x1 + 0.04 * (x1 - x0) if x1 > x0 else x0 + 1.0
    x0 = x0 - 0.04 * (x1 - x0) if x0 < 0 else x0
    label = units.label(figure.unit)
    height = ROW * max(len(values), 1)
    names = [
        f"{text}: " + ("not known" if v is None else units.show(original, figure.unit))  # type: ignore[arg-type]
        for text, v, original in zip(figure.labels, values, figure.values, strict=True)
    ]
    rows: dict[str, list[Any]] = {"x": [], "x2": [], "y": [], "y2": []}
    whiskers: dict[str, list[Any]] = {"x": [], "x2": [], "y": []}
    for i, v in enumerate(values):
        y = height - ROW * i - ROW + BAR + 2
        if v is not None:
            for key, number in zip(rows, (min(0.0, v), max(0.0, v), y, y - BAR), strict=True):
                rows[key].append(_short(number))
        a, b = low[i], high[i]
        if a is not None and b is not None:
            for key, number in zip(whiskers, (a, b, y - BAR / 2), strict=True):
                whiskers[key].append(_short(number))
    data = {"rows": rows} | ({"whiskers": whiskers} if whiskers["x"] else {})
    chart, live = _rows(name, figure.value_label, label, data, names, height, x0, x1, time=False,
                        summary="; ".join(names))  # fmt: skip
    return Drawn("charts", name, figure.title, figure.caption, (chart,),
                 {"time": False, "x0": x0, "x1": x1, "x_label": figure.value_label,
                  "x_unit": label, "charts": [live]})  # fmt: skip


def draw_curve(figure: Curve | Points, units: Units, *, name: str) -> Drawn:
    """Draw lines over any axis, or a scatter with lines over it."""
    lines = [_convert(ln, units, figure.x_unit, figure.unit) for ln in figure.lines[:6]]
    points = None
    if isinstance(figure, Points):
        xs = [v for v in units.values([*figure.x], figure.x_unit) if v is not None]
        ys = [v for v in units.values([*figure.y], figure.unit) if v is not None]
        points = ([_short(v) for v in xs], [_short(v) for v in ys])
    marks = list(figure.marks) if isinstance(figure, Curve) else []
    marks = [Mark(label=m.label, x=units.value(m.x, figure.x_unit)) for m in marks][:MOST_FLAGS]
    xs_all = [v for ln in lines for v in ln.x] + (points[0] if points else [])
    x0, x1 = (min(xs_all), max(xs_all)) if xs_all else (0.0, 1.0)
    if not x1 > x0:
        x0, x1 = x0 - 0.5, x1 + 0.5
    if points:
        room = 0.02 * (x1 - x0)
        x0, x1 = x0 - room, x1 + room
    x0, x1 = _short(x0), _short(x1)
    label = units.label(figure.unit)
    time = figure.x_unit == "s" and figure.x_label == "time"
    chart, live = _panel(
        _Lines(
            id=name, title=figure.y_label, unit=figure.unit, label=label, lines=lines,
            x0=x0, x1=x1, time=time, height=theme.CHART_HEIGHT, marks=marks, flags=bool(marks),
            points=points,
        )
    )  # fmt: skip
    if points:
        low, high = (min(points[1]), max(points[1])) if points[1] else (0.0, 0.0)
        digits = digits_of(max(abs(low), abs(high)), figure.unit)
        told = f"{len(points[0])} points from {plain(low, digits)} to {plain(high, digits)} {label}"
        summary = f"{figure.y_label} over {figure.x_label}: {told}".rstrip()
        chart = replace(chart, summary=summary)
    x_unit = units.label(figure.x_unit)
    days = figure.x_unit == "d"  # a place in the calendar has its date in words
    if not time:
        named = x_unit and x_unit not in figure.x_label.split() and not days
        across = f"Across: {figure.x_label}{f', {x_unit}' if named else ''}"
        chart = replace(chart, across=across)
    at = ["" if days else clock(m.x) if time else f"{plain(m.x, 1)} {x_unit}".rstrip()
          for m in marks]  # fmt: skip
    flags = tuple((letter(i), m.label, at[i]) for i, m in enumerate(marks))
    return Drawn("charts", name, figure.title, figure.caption, (chart,),
                 {"time": time, "x0": x0, "x1": x1, "x_label": figure.x_label,
                  "x_unit": x_unit, "charts": [live]}, flags)  # fmt: skip
