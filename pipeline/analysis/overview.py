"""The whole session in one picture: what the engine did, and the channels that tell it."""

from typing import Any

import numpy as np

from pipeline.meta import Meta
from pipeline.results import Band, Line, Mark, Panel, Panels, Result, line
from pipeline.session import View
from pipeline.wording import lasting

#: Points of one line: enough for a phone's width twice over and small enough to mail.
POINTS = 600
#: Stretches shorter than this share of the session are thinner than a pixel on a phone: they
#: are joined with the next of their kind or drawn at this width.
PIXEL = 1 / 700
#: Markers shown at most; the page lists all.
MOST_MARKERS = 12

#: Panels from top to bottom: title, unit, lines (channel, label).
_PANELS: tuple[tuple[str, str, tuple[tuple[str, str], ...]], ...] = (
    ("engine speed", "rpm", (("engine_speed", "engine speed"),)),
    ("road speed", "km/h", (("vehicle_speed", "road speed"),)),
    ("manifold pressure", "kPa", (
        ("manifold_pressure", "pressure"), ("manifold_pressure_target", "target"))),
    ("air mass", "g/s", (("mass_air_flow", "air mass"),)),
    ("lambda", "lambda", (("lambda", "measured"), ("lambda_target", "target"))),
    ("fuel trims", "%", (("fuel_trim_short", "short"), ("fuel_trim_long", "long"))),
    ("throttle", "%", (("throttle_position", "throttle"), ("throttle_target", "target"))),
    ("spark", "deg", (("spark_advance", "advance"), ("knock_retard", "pulled by knock"))),
    ("temperatures", "degC", (
        ("coolant_temperature", "coolant"), ("intake_air_temperature", "intake air"),
        ("oil_temperature", "oil"), ("ambient_air_temperature", "outside"))),
    ("battery", "V", (("battery_voltage", "battery"),)),
    ("fluid pressures", "kPa", (("oil_pressure", "oil"), ("fuel_pressure", "fuel"))),
)  # fmt: skip
_CHANNELS = tuple(channel for _, _, lines in _PANELS for channel, _ in lines)

META = Meta(
    question="What happened in this session, in one picture?",
    version=1,
    kinds=(),
    references=("Channels as logged; states as the states fact tells them.",),
    needs_any=(_CHANNELS,),
    optional_facts=("states",),
    step=0,
)


def analyse(view: View) -> Result:
    """Draw every known channel over time, with the states as bands."""
    panels = [p for p in (_panel(view, *spec) for spec in _PANELS) if p is not None]
    if not panels:
        return Result(status="not_judged", why="no channel holds a value to draw")
    states = view.fact("states")
    bands = _bands(states, view.duration_s) if states is not None else []
    marks = [Mark(label=m.text, x=m.time_s) for m in view.markers[:MOST_MARKERS]]
    figure = Panels(
        id="session",
        title="The whole session",
        caption="All panels share one time axis, minutes and seconds from the first row. Each "
        "line is thinned by minimum and maximum, so that a spike of a single row still shows.",
        panels=panels,
        bands=bands,
        marks=marks,
    )
    return Result(status="clear", why=_told(view, states), figures=[figure])


def _panel(view: View, title: str, unit: str, wanted: tuple[tuple[str, str], ...]) -> Panel | None:
    lines: list[Line] = []
    for channel, label in wanted:
        values = view.get(channel)
        if values is not None and np.isfinite(values).any():
            lines.append(line(label, view.time, values, points=POINTS))
    return Panel(title=title, unit=unit, lines=lines) if lines else None


def _bands(states: Any, duration_s: float) -> list[Band]:
    """Stretches by state, near ones of the same state joined."""
    width = duration_s * PIXEL
    joined: dict[str, list[tuple[float, float]]] = {}
    for span in states.intervals:
        label = "overrun, fuel cut" if span.fuel_cut else span.state
        spans = joined.setdefault(label, [])
        if spans and span.start_s - spans[-1][1] < width:
            spans[-1] = (spans[-1][0], span.end_s)
        else:
            spans.append((span.start_s, span.end_s))
    return [
        Band(label=label, start=start, end=end) for label, all_ in joined.items()
        for start, end in all_
    ]  # fmt: skip


def _told(view: View, states: Any) -> str:
    parts = [f"{lasting(view.duration_s)} of log"]
    if states is not None:
        running = sum(s.end_s - s.start_s for s in states.intervals
                      if s.state not in ("key_on", "cranking", "stopped"))  # fmt: skip
        parts.append(f"the engine ran for {lasting(running)}" if running > 0.0
                     else "the engine did not run")  # fmt: skip
        boost = sum(s.end_s - s.start_s for s in states.intervals if s.state == "boost")
        if boost > 0:
            parts.append(f"{boost:.0f} s of it in boost")
    if view.has("engine_speed") and (fastest := float(np.nanmax(view.channel("engine_speed")))):
        parts.append(f"up to {fastest:.0f} rpm")
    return ", ".join(parts) + "."
