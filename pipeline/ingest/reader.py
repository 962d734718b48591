"""One log from path to sessions: the stages in order, and every refusal as a plain reason."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.channels import CHANNELS
from pipeline.ingest.clock import Axis, Floats, gaps_of, pieces, spread, unroll, usual_step
from pipeline.ingest.convert import Converted, apply
from pipeline.ingest.dialect import Layout, find_layout, sample_lines
from pipeline.ingest.longform import widen
from pipeline.ingest.mapping import Decision, decide
from pipeline.ingest.reading import (
    ChannelReading,
    ClockReading,
    ColumnReading,
    Continues,
    DialectReading,
    Message,
    RawSession,
    Reading,
)
from pipeline.ingest.stamps import DAY_S, Stamps, read_stamps
from pipeline.ingest.table import Column, Section, Table, read_table
from pipeline.ingest.text import Content, Refused, decode, load, refuse_other_formats
from pipeline.ingest.words import is_clock_name
from pipeline.vehicle import ChannelRule, Vehicle

NO_ENGINE = frozenset(
    {"vehicle_speed", "latitude", "longitude", "ambient_air_temperature", "barometric_pressure"}
)
"""Channels that other people's tables have too: alone they make no engine log."""

_RATE = re.compile(
    r"(?:rate|frequen\w*|abtastrate|frequenz|cadence|frecuencia)[^\d]{0,20}(\d+(?:[.,]\d+)?)\s*hz"
    r"|(\d+(?:[.,]\d+)?)\s*hz", re.I,
)  # fmt: skip
_INTERVAL = re.compile(
    r"(?:interval|period|intervall|periode)[^\d]{0,20}(\d+(?:[.,]\d+)?)\s*(ms|s)\b", re.I
)

_SET_ASIDE_CURE = "nothing to do if it is no log"


def read_log(path: Path, *, name: str, vehicle: Vehicle) -> Reading:
    """Read one file. Whatever it holds the answer is a Reading, never an exception."""
    del name
    try:
        content = load(path)
    except Refused as refusal:
        return _aside(refusal.reason, refusal.cure)
    except FileNotFoundError:
        return _aside("vanished before it was read", "run again")
    except PermissionError:
        return _aside("no permission to read it", "change the file's permissions")
    except OSError as error:
        return _aside(f"cannot be read ({error.strerror or 'input error'})", "check the disk")
    try:
        return _read(content, vehicle)
    except Refused as refusal:
        return _aside(refusal.reason, refusal.cure, content)
    except MemoryError:
        return _aside("too large for this machine's memory", "split the log", content)


def _aside(reason: str, cure: str, content: Content | None = None) -> Reading:
    size = len(content.data) if content else 0
    digest = content.sha256 if content else ""
    return Reading("set_aside", reason, size, digest, messages=[Message(1, reason, cure)])


def _read(content: Content, vehicle: Vehicle) -> Reading:
    refuse_other_formats(content.data)
    text = decode(content.data)
    if not text.data.strip(b"\0 \t\n"):
        raise Refused("empty file" if not content.data.strip(b"\0") else "only blank lines")
    if text.data.count(b"\n") > vehicle.limits.max_rows + 1000:
        raise Refused(
            f"more than {vehicle.limits.max_rows} rows", "raise [limits] max_rows or split it"
        )
    lines = sample_lines(text.data)
    layout = find_layout(lines)
    if layout is None:
        raise Refused("not a log: no table in it")
    if layout.header < 0:
        raise Refused("no header row with column names found", "add a row with the columns' names")
    table = read_table(text.data, layout, finished=text.finished)
    dialect = DialectReading(text.encoding, _shown(layout.separator), layout.decimal,
                             layout.header + 1, layout.unit_lines[0] + 1 if layout.unit_lines else 0)  # fmt: skip
    return _assemble(content, dialect, table, layout, vehicle)


def _shown(separator: str) -> str:
    return {"\t": "tab", " ": "blank", "  ": "blanks"}.get(separator, separator)


@dataclass(slots=True)
class _Part:
    """One header's rows made into sessions."""

    sessions: list[RawSession]
    columns: list[ColumnReading]
    dropped: Counter[str]
    spans: list[float]
    stamps: list[tuple[float, float]]
    kind: str


def _assemble(
    content: Content, dialect: DialectReading, table: Table, layout: Layout, vehicle: Vehicle
) -> Reading:
    messages: list[Message] = []
    other = Counter(table.other)
    parts: list[_Part] = []
    dropped: Counter[str] = Counter()
    rows = 0
    refusals: list[tuple[int, Refused]] = []
    for raw_section in table.sections:
        section = widen(raw_section, other)
        dropped.update(section.dropped)
        if not len(section.line):
            continue
        try:
            part = _part(section, table.preamble, vehicle, messages)
        except Refused as refusal:
            # One stretch that cannot be read does not cost the others.
            refusals.append((len(section.line), refusal))
            continue
        dropped.update(part.dropped)
        parts.append(part)
        rows += sum(session.frame.height for session in part.sessions)
    if refusals and not parts:
        raise refusals[0][1]
    for count, refusal in refusals:
        dropped["stretch_without_clock" if "rate" in refusal.reason else "unknown_columns"] += count
    if not parts:
        reason = (
            "a header but no rows" if not dropped else "no row could be assigned to the columns"
        )
        raise Refused(
            reason, "check the columns' names against the rows" if dropped else _SET_ASIDE_CURE
        )
    sessions = _chain(parts)
    if not rows:
        raise Refused(
            "no row with a readable clock", 'name the clock\'s column: [channels] ... = "time"'
        )
    if rows > vehicle.limits.max_rows:
        raise Refused(
            f"more than {vehicle.limits.max_rows} rows", "raise [limits] max_rows or split it"
        )
    columns = list(dict.fromkeys(column for part in parts for column in part.columns))
    lost = {reason: count for reason, count in sorted(dropped.items()) if count}
    for reason, count in lost.items():
        messages.append(
            Message(1, f"{count} rows dropped: {reason}", _CURES.get(reason, "see the log"))
        )
    rejected = any("unreadable" in c.rejected for s in sessions for c in s.channels.values())
    status = "partial" if lost or rejected else "read"
    reason = ", ".join(f"{count} rows dropped ({reason})" for reason, count in lost.items())
    return Reading(
        "partial" if status == "partial" else "read", reason or ("unreadable cells" if rejected else ""),
        len(content.data), content.sha256, rows, lost,
        {kind: count for kind, count in sorted(other.items()) if count},
        dialect, columns, list(dict.fromkeys(messages)), sessions,
    )  # fmt: skip


_CURES = {
    "unfinished_last_line": "nothing: the line was cut off when logging ended",
    "short_row": "nothing: they have fewer cells than the header",
    "long_row": "nothing: they have more cells than the header",
    "stray_quote": "nothing: a quote stands where none belongs",
    "nul_bytes": "nothing: they hold zeros, as after a power loss",
    "bad_time": "nothing: their clock cannot be read",
}


def _part(
    section: Section, preamble: Sequence[str], vehicle: Vehicle, messages: list[Message]
) -> _Part:
    stamps, clock = _clock_of(section, vehicle)
    line = section.header_line
    decisions, notes = decide(section.columns, vehicle.channels, clock, line)
    messages.extend(notes)
    mapped = {d.channel for d in decisions if d.channel in CHANNELS}
    by_hand = any(d.why == "vehicle.toml" for d in decisions)
    if not by_hand and not mapped - NO_ENGINE:
        raise Refused("not an engine log: no column is a known channel",
                      "if it is one, name its columns under [channels] in vehicle.toml")  # fmt: skip
    if stamps is None:
        rate = vehicle.log.rate_hz or _stated_rate(preamble)
        if not rate:
            raise Refused("neither a clock nor a rate: state the rate under [log] rate_hz",
                          "set [log] rate_hz in vehicle.toml")  # fmt: skip
        seconds = np.arange(len(section.line)) / rate
        stamps = Stamps("elapsed", seconds, 1.0 / rate, why="rate")
    axis = unroll(stamps)
    dropped: Counter[str] = Counter()
    lost = int((~axis.keep).sum())
    if lost:
        dropped["bad_time"] = lost
    converted, notes = apply(section.columns, decisions, vehicle, line)
    messages.extend(notes)
    columns = [ColumnReading(c.column.header.strip(), c.decision.channel if c.decision.channel != "ignore" else "",
                             c.decision.unit, c.decision.conversion, c.decision.why)
               for c in converted if c.column.header.strip()]  # fmt: skip
    sessions, spans, edges = [], [], []
    for first, last, cut in pieces(axis):
        if last <= first:
            continue
        session = _session(section, axis, converted, first, last, stamps)
        if cut is not None:
            session.continues = Continues(cut.reason, cut.gap_s)
        sessions.append(session)
        spans.append(float(session.frame["time"][-1]))
        edges.append((float(axis.seconds[first]), float(axis.seconds[last - 1])))
    if sessions:
        sessions[0].rows_dropped = dict(sorted((section.dropped + dropped).items()))
    return _Part(sessions, columns, dropped, spans, edges, stamps.kind)


def _stated_rate(preamble: Sequence[str]) -> float | None:
    for line in preamble:
        match = _RATE.search(line)
        if match:
            value = float((match.group(1) or match.group(2)).replace(",", "."))
            return value if 0 < value <= 1000 else None
        match = _INTERVAL.search(line)
        if match:
            step = float(match.group(1).replace(",", ".")) * (
                0.001 if match.group(2).lower() == "ms" else 1
            )
            return 1 / step if step > 0 else None
    return None


def _clock_of(section: Section, vehicle: Vehicle) -> tuple[Stamps | None, frozenset[int]]:
    """The finest clock of the section with the date of the most telling one; columns used."""
    found: dict[int, Stamps] = {}
    ruled: set[int] = set()
    for index, column in enumerate(section.columns):
        rule = _rule(column.header, vehicle)
        if rule and rule != "time":
            continue
        named = is_clock_name(column.header)
        if rule == "time" or named or not column.numeric:
            stamps = read_stamps(column.header, column.unit_cell or column.cell_unit, column.values,
                                 decimal=column.decimal)  # fmt: skip
            if stamps is not None and (
                rule == "time" or named or stamps.kind in ("time", "datetime")
            ):
                found[index] = stamps
                if rule == "time":
                    ruled.add(index)
    clocks = frozenset(found)
    dates = [s for s in found.values() if s.kind == "date"]
    usable = {i: s for i, s in found.items() if s.kind != "date" and _is_clock(s)}
    if not usable:
        return None, clocks
    if dates:
        usable = {i: _dated(s, dates[0]) for i, s in usable.items()}

    def fineness(index: int) -> float:
        return len(np.unique(usable[index].seconds))

    best = max(fineness(i) for i in usable)
    order = {"datetime": 0, "time": 1, "elapsed": 2}
    fine = [i for i in usable if fineness(i) >= 0.9 * best]
    runtime = re.compile(r"run|uptime|lauf|fonction|since", re.I)
    choice = min(fine, key=lambda i: (i not in ruled, order[usable[i].kind],
                                      bool(runtime.search(section.columns[i].header)), i))  # fmt: skip
    stamps = usable[choice]
    if stamps.kind != "datetime":
        absolute = min((s for s in usable.values() if s.kind in ("datetime", "time")),
                       key=lambda s: order[s.kind], default=None)  # fmt: skip
        if absolute is not None and absolute is not stamps:
            stamps = _anchored(stamps, absolute)
    return stamps, clocks


def _rule(header: str, vehicle: Vehicle) -> str:
    from pipeline.ingest.mapping import _rule_for

    rule = _rule_for(header, vehicle.channels)
    if isinstance(rule, ChannelRule):
        return rule.channel
    return rule or ""


def _is_clock(stamps: Stamps) -> bool:
    good = stamps.seconds[np.isfinite(stamps.seconds)]
    if len(good) == 0:
        return False
    if len(good) == 1:
        return True
    steps = np.diff(good)
    return bool((steps >= 0).mean() >= 0.7 and np.any(steps > 0))


def _dated(stamps: Stamps, day: Stamps) -> Stamps:
    if stamps.kind != "time":
        return stamps
    return replace(stamps, kind="datetime", seconds=day.seconds + stamps.seconds)


def _anchored(fine: Stamps, absolute: Stamps) -> Stamps:
    """The fine clock's steps with the absolute clock's beginning, where both run alike."""
    both = np.isfinite(fine.seconds) & np.isfinite(absolute.seconds)
    if both.sum() < 2:
        return fine
    shift = absolute.seconds[both] - fine.seconds[both]
    if float(np.ptp(shift)) > 2.0 + absolute.step:
        return fine
    return replace(fine, kind=absolute.kind, seconds=fine.seconds + float(shift.min()),
                   utc_offset_s=absolute.utc_offset_s)  # fmt: skip


def _session(
    section: Section,
    axis: Axis,
    converted: Sequence[Converted],
    first: int,
    last: int,
    stamps: Stamps,
) -> RawSession:
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
                item.decision.unit, header, item.decision.conversion, len(values) - values.null_count(),
                effective_hz(values, span), _share(item.rejected, values, whole, item, axis, first, last),
            )  # fmt: skip
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
    gaps = [gap for gap in gaps_of(time)]
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
        return ClockReading(start, first % DAY_S, stamps.utc_offset_s, False, kind="datetime")
    if stamps.kind == "time":
        return ClockReading(None, first % DAY_S, stamps.utc_offset_s, False, kind="time")
    return ClockReading()


def _chain(parts: Sequence[_Part]) -> list[RawSession]:
    """Place the sessions of a file one after another and say why each was cut."""
    sessions: list[RawSession] = []
    starts: list[float] = []
    position = 0.0
    previous: tuple[str, float] | None = None
    for part in parts:
        for index, session in enumerate(part.sessions):
            begin, end = part.stamps[index]
            gap: float | None = None
            if previous is not None:
                known = previous[0] == part.kind and begin >= previous[1]
                restarted = (
                    session.continues is not None and session.continues.reason == "clock_restart"
                )
                if known and not restarted:
                    gap = begin - previous[1]
                elif part.kind == "time" and not restarted:
                    gap = (begin - previous[1]) % DAY_S
                if index == 0:
                    session.continues = Continues(
                        "header_repeated", None if gap is None else round(gap, 3)
                    )
                position += gap or 0.0
            starts.append(position)
            position += part.spans[index]
            previous = (part.kind, end)
            sessions.append(session)
    if (
        sessions
        and sessions[0].clock.kind == "time"
        and (sessions[0].clock.time_of_day_s or 0.0) < 1.0
    ):
        # A clock that begins within a second of midnight counts elapsed time.
        for session in sessions:
            session.clock = ClockReading()
    for session, start in zip(sessions, starts, strict=True):
        session.clock = replace(session.clock, since_file_start_s=round(start, 6),
                                to_file_end_s=round(position - start, 6))  # fmt: skip
    return sessions


__all__ = ["Column", "Decision", "Floats", "effective_hz", "read_log", "usual_step"]
