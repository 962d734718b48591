"""Draws any figure of the closed set by its kind."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import msgspec

from pipeline.report.charts import Drawn, draw_bars, draw_curve, draw_panels
from pipeline.report.grids import draw_map, draw_table
from pipeline.report.units import Units
from pipeline.results import Bars, Curve, Figure, MapGrid, Panels, Points


def draw(figure: Figure, units: Units, *, name: str) -> Drawn:
    """Draw one figure. ``name`` is unique in the page: letters, digits and dashes."""
    drawn = _draw(figure, units, name=name)
    return replace(drawn, title=units.text(drawn.title), caption=units.text(drawn.caption))


def _draw(figure: Figure, units: Units, *, name: str) -> Drawn:
    if isinstance(figure, Panels):
        return draw_panels(figure, units, name=name)
    if isinstance(figure, MapGrid):
        return draw_map(figure, units, name=name)
    if isinstance(figure, Curve | Points):
        return draw_curve(figure, units, name=name)
    if isinstance(figure, Bars):
        return draw_bars(figure, units, name=name)
    return draw_table(figure, units, name=name)


def figures_of(plain: Sequence[Any]) -> list[Figure]:
    """Check plain figures (from figures.json) into their models."""
    figures: list[Figure] = msgspec.convert(list(plain), list[Figure])
    return figures
