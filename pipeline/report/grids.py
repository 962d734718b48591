"""Figures people read numbers from: real tables, coloured maps with the number in each cell."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pipeline.report import theme
from pipeline.report.charts import Drawn
from pipeline.report.units import Units, plain
from pipeline.results import MapGrid, TableFigure
from pipeline.wording import clock

#: Titles of columns that hold a moment of the log: shown as minutes and seconds.
_MOMENTS = frozenset({"at", "start", "end", "time", "from", "to"})


@dataclass(frozen=True)
class Cell:
    """One cell: its number as text, the class of its colour, the evidence under it."""

    text: str = ""
    colour: str = ""
    weight: str = ""


def draw_map(figure: MapGrid, units: Units, *, name: str) -> Drawn:
    """Turn a map into a coloured table: highest load on top, as on the road a hill is up."""
    numbers = [v for row in figure.values for v in row if v is not None]
    low, high = (min(numbers), max(numbers)) if numbers else (0.0, 1.0)
    reach = max((abs(v - figure.centre) for v in numbers), default=1.0) if (
        figure.centre is not None) else 1.0  # fmt: skip
    rows = []
    for i in reversed(range(len(figure.y))):
        cells = []
        for j, value in enumerate(figure.values[i]):
            weight = figure.weight[i][j] if figure.weight else None
            cells.append(_cell(value, weight, figure, units, low, high, reach))
        rows.append((units.number(figure.y[i], figure.y_unit), cells))
    shown = units.label(figure.unit)
    more = {
        "x": [units.number(x, figure.x_unit) for x in figure.x],
        "x_label": _titled(figure.x_label, units.label(figure.x_unit)),
        "y_label": _titled(figure.y_label, units.label(figure.y_unit)),
        "rows": rows,
        "value": _titled(figure.value_label, shown),
        "weight_unit": units.label(figure.weight_unit) if figure.weight else "",
    }
    return Drawn("map", name, figure.title, figure.caption, more=more)


def _cell(
    value: float | None,
    weight: float | None,
    figure: MapGrid,
    units: Units,
    low: float,
    high: float,
    reach: float,
) -> Cell:
    if value is None:
        return Cell()
    if figure.centre is not None:
        step = round(5 + 5 * (value - figure.centre) / reach) if reach else 5
        colour = f"o{min(10, max(0, step))}"
        shown = units.value(value, figure.unit)
        text = plain(shown, figure.digits)
        if figure.centre == 0 and not text.startswith("−") and shown > 0:
            text = f"+{text}"
    else:
        step = round(10 * (value - low) / (high - low)) if high > low else 5
        colour = f"c{step}"
        text = plain(units.value(value, figure.unit), figure.digits)
    told = "" if weight is None else plain(weight, 0 if weight >= 1 or weight == 0 else 1)
    return Cell(text, colour, told)


def _titled(label: str, unit: str) -> str:
    return f"{label}, {unit}" if unit and unit != label else label


def colour_rules() -> str:
    """Style rules of the map's colours: classes c0-c10 (amounts), o0-o10 (errors)."""
    rules = []
    for prefix, scale in (("c", theme.CIVIDIS), ("o", theme.BLUE_ORANGE)):
        for i, colour in enumerate(scale):
            rules.append(f".{prefix}{i}{{background:{colour};color:{theme.ink_on(colour)}}}")
    return "".join(rules)


def draw_table(figure: TableFigure, units: Units, *, name: str) -> Drawn:
    """Turn a table's numbers into text in display units."""
    moments = [c.unit == "s" and c.title.lower() in _MOMENTS for c in figure.columns]
    columns = [
        {"title": c.title if moment else _titled(c.title, units.label(c.unit)),
         "number": _numeric(figure.rows, i)}
        for i, (c, moment) in enumerate(zip(figure.columns, moments, strict=True))
    ]  # fmt: skip
    if [c.title for c in figure.columns[-2:]] == ["value", "unit"]:
        return _by_row(figure, units, name=name)
    rows = [
        [clock(cell) if moment and isinstance(cell, int | float)
         else _text(cell, column.unit, column.digits, units)
         for cell, column, moment in zip(row, figure.columns, moments, strict=False)]
        for row in figure.rows
    ]  # fmt: skip
    return Drawn("table", name, figure.title, figure.caption,
                 more={"columns": columns, "rows": rows})  # fmt: skip


def _by_row(figure: TableFigure, units: Units, *, name: str) -> Drawn:
    """Draw a table whose last column names each row's own unit: one column of both together."""
    columns = [{"title": c.title, "number": False} for c in figure.columns[:-2]]
    columns.append({"title": "value", "number": True})
    rows = []
    for *head, value, unit in figure.rows:
        told = "–"
        if isinstance(value, int | float):
            size = abs(units.value(value, str(unit)))
            told = units.show(value, str(unit), 0 if size >= 100 else 1 if size >= 10 else 2)
        rows.append([*(_text(cell, "", 1, units) for cell in head), told])
    return Drawn("table", name, figure.title, figure.caption,
                 more={"columns": columns, "rows": rows})  # fmt: skip


def _numeric(rows: Sequence[Sequence[Any]], column: int) -> bool:
    return any(len(r) > column and isinstance(r[column], int | float) for r in rows)


def _text(cell: str | float | None, unit: str, digits: int, units: Units) -> str:
    if cell is None:
        return "–"
    if isinstance(cell, str):
        return units.text(cell)
    return units.number(cell, unit, digits)


def proven_map(cells: Sequence[Mapping[str, float]], units: Units, *, name: str) -> Drawn | None:
    """Where lambda was trusted and on target, as a map of seconds; None where nowhere."""
    if not cells:
        return None
    speeds = sorted({c["rpm"] for c in cells})
    loads = sorted({c["kpa"] for c in cells})
    if len(speeds) * len(loads) > 2000:
        return None
    table: list[list[float | None]] = [[None] * len(speeds) for _ in loads]
    for c in cells:
        table[loads.index(c["kpa"])][speeds.index(c["rpm"])] = c["seconds"]
    figure = MapGrid(
        id=name, title="Where the engine has proven itself",
        caption="Seconds in which lambda was trusted and on target, with nothing open. An empty "
        "cell is not proven, only unseen: go there in small steps, from low load upwards.",
        x_label="engine speed", x_unit="rpm", x=speeds, y_label="manifold pressure", y_unit="kPa",
        y=loads, value_label="time proven", unit="s", values=table, digits=0,
    )  # fmt: skip
    return draw_map(figure, units, name=name)
