"""The index page from the batch's plain data."""

from collections import Counter
from collections.abc import Mapping
from typing import Any

from pipeline.report.page import (
    IndexData,
    IndexSession,
    IndexVehicle,
    SetAside,
    render_index,
)
from pipeline.report.units import Units


def index_page(data: Mapping[str, Any]) -> str:
    """Render index.html; ``data`` as :func:`pipeline.publish.index_data` makes it."""
    vehicles = [
        IndexVehicle(
            id=v["id"],
            name=v["vehicle"].vehicle.name,
            units=Units(v["vehicle"].units),
            sessions=[_session(s) for s in reversed(v["sessions"])],
        )
        for v in data["vehicles"]
    ]
    aside = [f for f in data["files"] if f["status"] == "set_aside"]
    partial = [f for f in data["files"] if f["status"] == "partial"]
    return render_index(
        IndexData(
            vehicles=vehicles,
            set_aside=[SetAside(f["file"], f["reason"], _cure(f)) for f in aside],
            partial=[SetAside(f["file"], f["reason"], _cure(f)) for f in partial],
        )
    )


def _cure(file: Mapping[str, Any]) -> str:
    return "; ".join(sorted({str(m[2]) for m in file["messages"]}))


def _session(s: Any) -> IndexSession:
    distance = s.metrics.get("distance_km")
    return IndexSession(
        id=s.id,
        start=s.start_time,
        duration_s=s.duration_s,
        page=f"sessions/{s.id}.html",
        severity=s.verdict.severity,
        text=s.verdict.text,
        findings=Counter(f.severity for f in s.findings),
        distance_km=distance.value if distance else None,
    )
