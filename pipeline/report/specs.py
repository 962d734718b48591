"""A chart's spec: its shape's template, filled by name.

The names are the data sets ``l0, l1, ... shade, marks, rows`` and the axis ends
``x0, x1, y0, y1``. A template stands in two versions: alive (axes by Vega) and static (marks
alone, compiled to Vega: of 25 ms a chart Vega spends 20 on measuring tick labels, which
:mod:`pipeline.report.svg` writes at no cost, and 2 on compiling).
"""

import functools
import operator
from collections.abc import Mapping, Sequence
from typing import Any

import msgspec

from pipeline.report import theme
from pipeline.report.bundle import kept_file, templates_name
from pipeline.report.shape import LISTED, Shape, listed


@functools.cache
def _kept() -> dict[str, dict[str, dict[str, Any]]]:
    """Templates made at set-up; none where they were not, or for other code."""
    try:
        raw = kept_file(templates_name()).read_bytes()
        return msgspec.json.decode(raw, type=dict[str, dict[str, dict[str, Any]]])
    except (OSError, msgspec.MsgspecError):
        return {"alive": {}, "static": {}}


@functools.cache
def _template(kind: Shape, alive: bool) -> dict[str, Any]:
    """Take the kept template of a kind of shape, or build it."""
    kept = _kept()["alive" if alive else "static"].get(kind.key(alive))
    if kept is not None:
        return kept
    from pipeline.report import chart_templates  # altair takes a third of a second to load

    return chart_templates.template(kind, True) if alive else chart_templates.compiled(kind)


def alive(shape: Shape, ends: Mapping[str, float]) -> dict[str, Any]:
    """Fill a shape's live version with the axis ends; the page's script adds the data sets."""
    filled = dict(_template(shape.kind(True), True))
    filled["params"] = [
        {**p, "value": ends[p["name"]]} if p["name"] in ends else p for p in filled["params"]
    ]
    filled["width"], filled["height"] = shape.width, shape.height
    filled["padding"] = {
        "left": theme.WIDTH - theme.RIGHT - shape.width,
        "right": theme.RIGHT,
        "top": theme.TOP + (theme.FLAG if shape.flags else 0),
        "bottom": theme.BOTTOM if shape.labels else 4,
    }
    return filled


def static(shape: Shape, data: Mapping[str, Mapping[str, Sequence[Any]]]) -> dict[str, Any]:
    """Fill a shape's static version with data in plot coordinates (pixels), y upwards.

    Lines are drawn in the order of x, whatever order their rows come in.
    """
    vega = {**_template(shape.kind(False), False), "width": shape.width,
            "height": shape.height}  # fmt: skip
    ends = {"x0": 0.0, "x1": shape.width, "y0": 0.0, "y1": shape.height}
    vega["signals"] = [
        {**s, "value": ends[s["name"]]} if s["name"] in ends else s for s in vega["signals"]
    ]
    vega["data"] = [
        {**d, "values": _rows_of(d["name"], data[d["name"]])} if d["name"] in data else d
        for d in vega["data"]
    ]
    return vega


def _rows_of(name: str, columns: Mapping[str, Sequence[Any]]) -> Sequence[Any]:
    if not listed(name):
        return records(columns)
    rows = list(zip(*(columns[c] for c in LISTED if c in columns), strict=True))
    return rows if name == "points" else sorted(rows, key=_X)


_X = operator.itemgetter(0)


def records(columns: Mapping[str, Sequence[Any]]) -> list[dict[str, Any]]:
    """Turn columns into the rows a data set holds."""
    names = list(columns)
    return [dict(zip(names, row, strict=True)) for row in zip(*columns.values(), strict=True)]
