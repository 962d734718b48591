"""Chart templates by altair: Vega-Lite specs without data, size or axis ends.

Loading altair and building them costs a worker most of a second, so those of the usual shapes
are made once at set-up (:mod:`pipeline.report.bundle`); another shape is built when it turns up.
"""

import functools
import itertools
import json
from collections.abc import Iterator
from typing import Any

import altair as alt
import vl_convert
from altair.utils.schemapi import debug_mode

from pipeline.report import theme
from pipeline.report.shape import LISTED, Shape, listed

#: Lines in a panel up to which a shape counts as usual.
USUAL_LINES = 6

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
def template(shape: Shape, alive: bool) -> dict[str, Any]:
    """Build a shape's Vega-Lite spec; its size and the values of its parameters are to be set."""
    # Altair checks every part against its schema as it is made, which is most of what it costs;
    # the tests check the whole instead.
    with debug_mode(False):
        layers = _row_layers(shape, alive) if shape.rows else _layers(shape, alive)
        ends = (alt.param(name=n, value=0) for n in ("x0", "x1", "y0", "y1"))
        chart = alt.layer(*layers).add_params(*ends).properties(autosize="none")
        spec: dict[str, Any] = chart.to_dict(validate=False)
    return spec


def compiled(shape: Shape) -> dict[str, Any]:
    """Build a shape's static version as a Vega spec."""
    spec = {**template(shape, False), "width": 1, "height": 1, "padding": 0}
    vega: dict[str, Any] = vl_convert.vegalite_to_vega({**spec, "config": theme.CONFIG})
    return lean(vega)


def lean(vega: dict[str, Any]) -> dict[str, Any]:
    """Take out what a static picture pays for point by point and does not need: a third of it.

    Its data are numbers in the order of x (:func:`pipeline.report.specs.static`), and its axis
    ends are given: no copy of the rows to make numbers of them, no sorting, no search for the ends,
    and no names in the many rows of lines and dots.
    """
    copies = {
        d["name"]: d["source"]
        for d in vega["data"]
        if d.get("transform") and all(_only_numbers(t) for t in d["transform"])
    }
    marks = [_lean_mark(m, copies) for m in vega["marks"]]
    scales = [
        {k: v for k, v in s.items() if k not in ("domainMin", "domainMax")}
        | {"domain": [s["domainMin"], s["domainMax"]]}
        if {"domainMin", "domainMax"} <= s.keys()
        else s
        for s in vega["scales"]
    ]
    data = [d for d in vega["data"] if d["name"] not in copies]
    return {**vega, "data": data, "marks": marks, "scales": scales}


def _lean_mark(mark: dict[str, Any], copies: dict[str, str]) -> dict[str, Any]:
    """Draw a mark from the rows themselves, unsorted, by place where they are plain lists."""
    name = copies.get(mark["from"]["data"], mark["from"]["data"])
    text = json.dumps({k: v for k, v in mark.items() if k != "sort"})
    if listed(name):
        for place, field in enumerate(LISTED):
            text = text.replace(f'"field": "{field}"', f'"field": "{place}"')
            text = text.replace(f'datum[\\"{field}\\"]', f"datum[{place}]")
    found: dict[str, Any] = json.loads(text)
    return {**found, "from": {**found["from"], "data": name}}


def _only_numbers(transform: dict[str, Any]) -> bool:
    """Whether a transform reads a field as the number that it is, or looks for rows without one.

    Dots, bars and marked places have none of those, and holes of a line are left by its mark.
    """
    expression = transform["expr"]
    number = expression == f'toNumber(datum["{transform.get("as")}"])'
    return bool(number or (transform["type"] == "filter" and expression.startswith("isValid(")))


def usual_shapes() -> Iterator[Shape]:
    """Shapes worth keeping: plain lines, in panels with their bands and marks, a reading with its
    target in steps, dots, rows.

    One of a page's shapes missing here costs every run the loading of altair.
    """
    for count in range(1, USUAL_LINES + 1):
        lines = ((False, False),) * count
        yield Shape(lines=lines)
        for labels, (shade, marks, flags) in itertools.product(
            (True, False),
            ((False, False, False), (True, False, False), (False, True, False),
             (False, True, True)),
        ):  # fmt: skip
            yield Shape(lines=lines, labels=labels, shade=shade, marks=marks, flags=flags,
                        time=True)  # fmt: skip
    for shade in (False, True):
        yield Shape(lines=((False, False), (False, True)), shade=shade, time=True)
    yield Shape(lines=((True, False),))
    yield Shape(lines=((False, False),), points=True)
    yield Shape(points=True)
    for whiskers, time in itertools.product((False, True), (False, True)):
        yield Shape(rows=True, whiskers=whiskers, time=time)


def kept_templates() -> str:
    """Make the text of the kept file: every usual template by kind and key."""
    shapes = list(usual_shapes())
    kept = {
        "alive": {s.key(True): template(s, True) for s in shapes},
        "static": {s.key(False): compiled(s) for s in {s.key(False): s for s in shapes}.values()},
    }
    return json.dumps(kept, separators=(",", ":"))
