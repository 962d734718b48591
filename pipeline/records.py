"""What a log and its sessions say of themselves: entries of ingest.json and document headers."""

from typing import Any


def aside_record(file: str, size: int, reason: str) -> dict[str, Any]:
    """Entry in ingest.json of a file that was not read at all."""
    return {"file": file, "bytes": size, "sha256": "", "status": "set_aside",
            "reason": reason, "rows_read": 0, "rows_dropped": {}, "lines_other": {},
            "sessions": [], "dialect": {"encoding": "", "separator": "", "decimal": "",
                                        "header_line": 0, "unit_line": 0},
            "columns": []}  # fmt: skip


def read_record(file: str, reading: Any) -> dict[str, Any]:
    """Entry in ingest.json of a file that went through the reader."""
    return {
        "file": file,
        "bytes": reading.bytes,
        "sha256": reading.sha256,
        "status": reading.status,
        "reason": reading.reason,
        "rows_read": reading.rows_read,
        "rows_dropped": dict(sorted(reading.rows_dropped.items())),
        "lines_other": dict(sorted(reading.lines_other.items())),
        "sessions": [],
        "dialect": {
            "encoding": reading.dialect.encoding,
            "separator": reading.dialect.separator,
            "decimal": reading.dialect.decimal,
            "header_line": reading.dialect.header_line,
            "unit_line": reading.dialect.unit_line,
        },
        "columns": [
            {"column": c.column, "channel": c.channel, "unit": c.unit,
             "conversion": c.conversion, "why": c.why}
            for c in reading.columns
        ],
    }  # fmt: skip


def header_of(
    raw: Any, name: str, start_time: str, start_source: str, previous: str, source: Any
) -> dict[str, Any]:
    """Fields of a session's Header that follow from its rows and their source alone."""
    import numpy as np

    from pipeline.document import Quality, Sampling
    from pipeline.results import rounded
    from pipeline.session import ChannelInfo, Continues, Gap, Marker

    times = raw.frame["time"].to_numpy()
    steps = np.diff(times)
    middle = float(np.median(steps)) if steps.size else 0.0
    spread = 1.4826 * float(np.median(np.abs(steps - middle))) if steps.size else 0.0
    cut = raw.continues
    return {
        "session_id": name,
        "start_time": start_time,
        "start_time_source": start_source,
        "duration_s": rounded(float(times[-1] - times[0]) if times.size else 0.0, 9),
        "continues": None
        if cut is None
        else Continues(session=previous, reason=cut.reason, gap_s=cut.gap_s),
        "source": source,
        "channels": {
            key: ChannelInfo(unit=c.unit, column=c.column, conversion=c.conversion, rows=c.rows,
                             effective_hz=rounded(c.effective_hz, 4), rejected=dict(c.rejected))
            for key, c in sorted(raw.channels.items())
        },
        "sampling": Sampling(
            median_hz=rounded(1.0 / middle, 5) if middle > 0 else None,
            jitter_pct=rounded(100.0 * spread / middle, 3) if middle > 0 else None,
            longest_gap_s=rounded(float(steps.max()), 6) if steps.size else 0.0,
        ),
        "quality": Quality(
            rows_dropped=dict(raw.rows_dropped),
            gaps=[Gap(start_s=rounded(a, 9), end_s=rounded(b, 9)) for a, b in raw.gaps],
        ),
        "markers": [Marker(time_s=rounded(t, 9), text=text) for t, text in raw.markers],
    }  # fmt: skip


def state_spans(session: Any) -> list[Any]:
    """List the states of a session as its document has them, [] where they cannot be told."""
    from pipeline.document import StateSpan
    from pipeline.results import rounded

    states = session.facts.get("states")
    if states is None or isinstance(states, Exception):
        return []
    return [
        StateSpan(state=s.state, start_s=rounded(s.start_s, 9), end_s=rounded(s.end_s, 9),
                  fuel_cut=bool(s.fuel_cut))
        for s in states.intervals
    ]  # fmt: skip
