"""The stretch of the log a finding stands on: cut and thinned while the samples are at hand."""

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.results import SEVERITIES, Band, Finding, Line, Mark, Panel, Panels, line
from pipeline.session import FloatArray, Session

#: Figures a session keeps; the most severe findings first. A page of more is read by nobody.
MOST = 16
#: Panels of one figure, points of one line: small charts on a narrow column.
PANELS = 3
POINTS = 300
#: s shown before and after, at least, and as a share of the stretch.
MARGIN_S = 4.0
MARGIN_SHARE = 0.6
#: A finding that covers more of the session than this is shown over all of it.
WHOLE_SHARE = 0.8

#: Shown beside a finding's own channels, as far as there is room.
_CONTEXT = ("engine_speed", "manifold_pressure", "throttle_position", "vehicle_speed")
#: Drawn into the panel of the other: what was asked for.
_TARGETS = {
    "lambda": "lambda_target",
    "manifold_pressure": "manifold_pressure_target",
}
_UNITS = {"lambda": "lambda", "lambda_target": "lambda"}


def stretch_id(kind: str, mode: str, channels: Sequence[str], start_s: float, end_s: float) -> str:
    """Id of the figure that belongs to a finding; the page finds it by the same fields."""
    parts = ["stretch", kind, mode, *channels[:1], f"{start_s:.1f}", f"{end_s:.1f}"]
    return re.sub(r"[^a-z0-9]+", "-", "-".join(p for p in parts if p).lower())


def stretches(session: Session, findings: Sequence[Finding]) -> list[Panels]:
    """Cut the stretch of each finding; the most severe get one where there are too many."""
    order = sorted(
        findings, key=lambda f: (-SEVERITIES.index(f.severity), f.step, f.start_s, f.kind, f.mode)
    )
    figures: dict[str, Panels] = {}
    for finding in order:
        if len(figures) >= MOST:
            break
        figure = _stretch(session, finding)
        if figure is not None:
            figures.setdefault(figure.id, figure)
    return [figures[name] for name in sorted(figures)]


def _stretch(session: Session, finding: Finding) -> Panels | None:
    names = [n for n in finding.channels if n in session.channels]
    targets = {t for n, t in _TARGETS.items() if n in names}
    names = [n for n in dict.fromkeys(names) if n not in targets][:PANELS]
    for name in _CONTEXT:
        if len(names) < PANELS and name in session.channels and name not in names:
            names.append(name)
    if not names or session.time.size < 2:
        return None
    first, last = float(session.time[0]), float(session.time[-1])
    length = finding.end_s - finding.start_s
    whole = length > WHOLE_SHARE * (last - first)
    margin = max(MARGIN_S, MARGIN_SHARE * length)
    start = first if whole else max(first, finding.start_s - margin)
    end = last if whole else min(last, finding.end_s + margin)
    rows = (session.time >= start) & (session.time <= end)
    panels = [p for p in (_panel(session, n, rows) for n in names) if p is not None]
    if not panels:
        return None
    spot = length < 0.02 * (end - start)
    caption = (
        "The whole session, thinned by minimum and maximum."
        if whole
        else "The dashed line marks the moment."
        if spot
        else "The shaded stretch is where it happened."
    )
    if any(n.startswith("lambda") for n in names):
        caption += " The sensor in the exhaust shows it a moment later."
    return Panels(
        id=stretch_id(finding.kind, finding.mode, finding.channels, finding.start_s,
                      finding.end_s),
        title=finding.title,
        caption=caption,
        panels=panels,
        bands=[] if whole or spot else [
            Band(label="this finding", start=finding.start_s, end=finding.end_s)],
        marks=[Mark(label="here", x=finding.start_s)] if spot and not whole else [],
    )  # fmt: skip


def _panel(session: Session, name: str, rows: NDArray[np.bool_]) -> Panel | None:
    lines: list[Line] = []
    for channel in (name, _TARGETS.get(name, "")):
        values = session.channels.get(channel)
        if values is not None and np.isfinite(values[rows]).any():
            lines.append(_line(channel, session.time[rows], values[rows]))
    if not lines:
        return None
    unit = _UNITS.get(name) or session.info[name].unit
    return Panel(title=_spoken(name), unit=unit, lines=lines)


def _line(name: str, time: FloatArray, values: FloatArray) -> Line:
    return line("target" if name.endswith("target") else _spoken(name), time, values,
                points=POINTS)  # fmt: skip


def _spoken(name: str) -> str:
    return name.replace("_", " ")
