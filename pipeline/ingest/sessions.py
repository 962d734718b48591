"""Rows between two cuts made into a session: frame, channels, markers, gaps."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from pipeline.channels import CHANNELS
from pipeline.ingest.clock import Axis, gaps_of, spread
from pipeline.ingest.convert import Converted
from pipeline.ingest.reading import ChannelReading, ClockReading, RawSession
from pipeline.ingest.stamps import DAY_S, Stamps
from pipeline.ingest.table import Section
from pipeline.limits import Limits


def make_session(
    section: Section,
    axis: Axis,
    converted: Sequence[Converted],
    first: int,
    last: int,
    stamps: Stamps,
    limits: Limits,
) -> RawSession:
    """One session from rows `first` to `last` of the axis."""
    seconds = axis.seconds[first:last]
    time = spread(seconds)
    keep = pl.Series(axis.keep) if not axis.keep.all() else None
    lines = section.line[axis.keep][first:last]
    data: dict[str, pl.Series] = {"time": pl.Series("time", time)}
    channels: dict[str, ChannelReading] = {}
    units = {"time": "s"}
    span = float(time[-1])
    whole = keep is None and first == 0 and last == len(section.line)
    for item in converted:
        channel, header = item.decision.channel, item.column.header.strip()
        if channel in ("time", "ignore") or (not header and not channel):
            continue
        values = item.values
        if not whole:
            values = (values.filter(keep) if keep is not None else values)[first:last]
        if channel:
            units[channel] = item.decision.unit
            channels[channel] = ChannelReading(
                item.decision.unit,
                header,
                item.decision.conversion,
                len(values) - values.null_count(),
                effective_hz(values, span),
                _share(item.rejected, values, whole, item, axis, first, last),
            )
            data[channel] = values
        else:
            title = f"other.{header}"
            number = 2
            while title in data:
                title, number = f"other.{header} ({number})", number + 1
            units[title] = item.decision.unit or "1"
            data[title] = values
    ordered = {"time": data["time"]}
    ordered |= {name: data[name] for name in CHANNELS if name in data}
    ordered |= {name: series for name, series in data.items() if name.startswith("other.")}
    frame = pl.DataFrame({name: series.rename(name) for name, series in ordered.items()})
    channels = {name: channels[name] for name in ordered if name in channels}
    low, high = int(lines[0]), int(lines[-1])
    after = int(section.line[axis.keep][last]) if last < len(axis.seconds) else 1 << 60
    before = low if first else 0
    markers = [(round(float(time[min(int(np.searchsorted(lines, line)), len(time) - 1)]), 6), text)
               for line, text in section.markers if before <= line < after]  # fmt: skip
    gaps = gaps_of(time, limits.log_gap_s, limits.log_gap_intervals)
    return RawSession(low, high, frame, channels, units, _begin(stamps, float(seconds[0])), None,
                      markers, {}, gaps)  # fmt: skip


def _share(
    rejected: dict[str, int],
    values: pl.Series,
    whole: bool,
    item: Converted,
    axis: Axis,
    first: int,
    last: int,
) -> dict[str, int]:
    if whole or not rejected:
        return dict(rejected)
    result = {}
    if "unreadable" in rejected and item.column.unreadable is not None:
        result["unreadable"] = int(item.column.unreadable[axis.keep][first:last].sum())
    if "out_of_range" in rejected:
        raw = item.column.values.filter(pl.Series(axis.keep))[first:last]
        result["out_of_range"] = int((raw.is_not_null() & values.is_null()).sum())
    return {reason: count for reason, count in result.items() if count}


def effective_hz(values: pl.Series, span_s: float) -> float:
    """Changes of value per second: a value repeated between updates is no new sample."""
    known = values.drop_nulls()
    if len(known) < 2 or span_s <= 0:
        return 0.0
    array = known.to_numpy()
    return round(float(np.count_nonzero(array[1:] != array[:-1])) / span_s, 4)


def _begin(stamps: Stamps, first: float) -> ClockReading:
    if stamps.kind == "datetime":
        start = datetime(1970, 1, 1) + timedelta(seconds=round(first, 6))
        return ClockReading(start, first % DAY_S, stamps.utc_offset_s, kind="datetime")
    if stamps.kind == "time":
        return ClockReading(None, first % DAY_S, stamps.utc_offset_s, kind="time")
    return ClockReading()
