"""Vega-Lite specs by altair: one template per shape of chart, without data.

Building and checking a chart costs altair some 7 ms, so each shape is built once a process and
filled by name: data sets ``l0, l1, ... shade, marks, rows`` and the axis ends ``x0, x1, y0, y1``.
A template stands in two versions: alive (axes by Vega) and static (marks alone, compiled to Vega
once: of 25 ms a chart Vega spends 20 on measuring tick labels, which :mod:`pipeline.report.svg`
writes at no cost, and 2 on compiling).
"""

import copy
import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import altair as alt
import vl_convert
from altair.utils.schemapi import debug_mode

from pipeline.report import theme


@dataclass(frozen=True)
class Shape:
    """What makes two charts share a template. ``lines``: (has a band, is a step) of each."""

    lines: tuple[tuple[bool, bool], ...] = ()
    points: bool = False
    shade: bool = False
    marks: bool = False
    flags: bool = False
    time: bool = False
    rows: bool = False
    whiskers: bool = False
    height: float = theme.PANEL_HEIGHT
    #: Whether the axis below carries labels.
    labels: bool = True
    width: float = theme.PLOT


_TIME_LABEL = (
    "datum.value % 1000 ? utcFormat(datum.value, '%-M:%S.%L') : datum.value >= 3600000 ?"
    " utcFormat(datum.value, '%-H:%M:%S') : utcFormat(datum.value, '%-M:%S')"
)


def _ends(a: str, b: str, **more: Any) -> Any:
    return alt.Scale(domainMin=alt.ExprRef(a), domainMax=alt.ExprRef(b), nice=False, **more)


def _x(shape: Shape, alive: bool, field: str = "x") -> Any:
    time = shape.time and alive
    scale = _ends("x0", "x1", type="utc") if time else _ends("x0", "x1", zero=False)
    axis: Any = None
    if alive:
        label: dict[str, Any] = {"labelExpr": _TIME_LABEL} if time else {}
        axis = alt.Axis(title=None, tickCount=5, labels=shape.labels, **label)
    return alt.X(f"{field}:{'T' if time else 'Q'}", scale=scale, axis=axis)


def _y(alive: bool, field: str = "y") -> Any:
    axis = alt.Axis(title=None, tickCount=4) if alive else None
    return alt.Y(f"{field}:Q", scale=_ends("y0", "y1", zero=False), axis=axis)


def _data(name: str) -> Any:
    return alt.Chart(alt.NamedData(name=name))


def _layers(shape: Shape, alive: bool) -> list[Any]:
    layers: list[Any] = []
    if shape.shade:
        layers.append(
            _data("shade")
            .mark_rect(clip=alive, color="currentColor", opacity=0.12)
            .encode(x=_x(shape, alive), x2="x2")
        )
    for i, (band, step) in enumerate(shape.lines):
        colour, dash = theme.SERIES[i % len(theme.SERIES)]
        stroke: dict[str, Any] = {"strokeDash": list(dash)} if dash else {}
        if band:
            layers.append(
                _data(f"l{i}")
                .mark_area(clip=alive, color=colour, opacity=0.2)
                .encode(x=_x(shape, alive), y=_y(alive, "low"), y2="high")
            )
        layers.append(
            _data(f"l{i}")
            .mark_line(
                clip=alive,
                color=colour,
                strokeWidth=1.4,
                interpolate="step-after" if step else "linear",
                **stroke,
            )
            .encode(x=_x(shape, alive), y=_y(alive))
        )
    if shape.points:
        layers.insert(
            0,
            _data("points")
            .mark_circle(clip=alive, color=theme.SERIES[0][0], size=14, opacity=0.6)
            .encode(x=_x(shape, alive), y=_y(alive)),
        )
    if shape.marks:
        layers.append(
            _data("marks")
            .mark_rule(clip=alive, color="currentColor", strokeDash=[3, 3], opacity=0.7)
            .encode(x=_x(shape, alive))
        )
    if shape.flags and alive:
        layers.append(
            _data("marks")
            .mark_text(baseline="bottom", color="currentColor", dy=-2, fontSize=theme.FONT_SIZE)
            .encode(
                x=_x(shape, alive),
                y=alt.value(0),
                text="letter:N",
                # A filter would leave none at a close look, which Vega warns of.
                opacity=alt.when("datum.x >= x0 && datum.x <= x1")
                .then(alt.value(1))
                .otherwise(alt.value(0)),
            )
        )
    return layers


def _row_layers(shape: Shape, alive: bool) -> list[Any]:
    """Bars in rows: from x to x2, upper and lower edge in data, label above in alive ones."""
    y = alt.Y("y:Q", scale=_ends("y0", "y1", zero=False), axis=None)
    bars = (
        _data("rows")
        .mark_rect(clip=alive, color=theme.SERIES[0][0], opacity=0.85)
        .encode(x=_x(shape, alive), x2="x2", y=y, y2="y2")
    )
    layers = [bars]
    if shape.whiskers:
        layers.append(
            _data("whiskers")
            .mark_rule(clip=alive, color="currentColor", strokeWidth=1.5)
            .encode(x=_x(shape, alive), x2="x2", y=y)
        )
    if alive:
        layers.append(
            _data("names")
            .mark_text(align="left", baseline="bottom", color="currentColor", dy=-2, dx=2,
                       fontSize=theme.FONT_SIZE)
            .encode(x=alt.value(0), y=y, text="text:N")
        )  # fmt: skip
    return layers


@functools.cache
def _template(shape: Shape, alive: bool) -> dict[str, Any]:
    # Altair checks every part against its schema as it is made, which is most of what it costs;
    # the tests check the whole instead.
    with debug_mode(False):
        return _built(shape, alive)


def _built(shape: Shape, alive: bool) -> dict[str, Any]:
    layers = _row_layers(shape, alive) if shape.rows else _layers(shape, alive)
    chart = (
        alt.layer(*layers)
        .add_params(*(alt.param(name=n, value=0) for n in ("x0", "x1", "y0", "y1")))
        .properties(
            width=shape.width,
            height=shape.height,
            autosize="none",
            padding={
                "left": theme.WIDTH - theme.RIGHT - shape.width if alive else 0,
                "right": theme.RIGHT if alive else 0,
                "top": theme.TOP + (theme.FLAG if shape.flags else 0) if alive else 0,
                "bottom": (theme.BOTTOM if shape.labels else 4) if alive else 0,
            },
        )
    )
    spec: dict[str, Any] = chart.to_dict(validate=False)
    return spec


def alive(shape: Shape, ends: Mapping[str, float]) -> dict[str, Any]:
    """Fill a shape's live version with the axis ends; the page's script adds the data sets."""
    filled = copy.copy(_template(shape, True))
    filled["params"] = [
        {**p, "value": ends[p["name"]]} if p["name"] in ends else p for p in filled["params"]
    ]
    return filled


@functools.cache
def _compiled(shape: Shape) -> dict[str, Any]:
    """The static version as a Vega spec, its size and axis ends still to be filled in."""
    spec = {**_template(shape, False), "config": theme.CONFIG}
    vega: dict[str, Any] = vl_convert.vegalite_to_vega(spec)
    return vega


def static(shape: Shape, data: Mapping[str, Mapping[str, Sequence[Any]]]) -> dict[str, Any]:
    """Fill a shape's static version with data in plot coordinates (pixels), y upwards."""
    # What shows on the axes alone, and the size, makes no other spec here.
    plain = Shape(lines=shape.lines, points=shape.points, shade=shape.shade, marks=shape.marks,
                  rows=shape.rows, whiskers=shape.whiskers)  # fmt: skip
    vega = {**_compiled(plain), "width": shape.width, "height": shape.height}
    ends = {"x0": 0.0, "x1": shape.width, "y0": 0.0, "y1": shape.height}
    vega["signals"] = [
        {**s, "value": ends[s["name"]]} if s["name"] in ends else s for s in vega["signals"]
    ]
    vega["data"] = [
        {**d, "values": records(data[d["name"]])} if d["name"] in data else d for d in vega["data"]
    ]
    return vega


def records(columns: Mapping[str, Sequence[Any]]) -> list[dict[str, Any]]:
    """Turn columns into the rows a data set holds."""
    names = list(columns)
    return [dict(zip(names, row, strict=True)) for row in zip(*columns.values(), strict=True)]
