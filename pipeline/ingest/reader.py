"""One log from path to sessions: the stages in order, and every refusal as a plain reason."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.channels import CHANNELS
from pipeline.ingest.clock import pieces, unroll
from pipeline.ingest.clocks import clock_of, stated_rate
from pipeline.ingest.convert import apply
from pipeline.ingest.dialect import find_layout, sample_lines
from pipeline.ingest.lines import count_bytes
from pipeline.ingest.longform import widen
from pipeline.ingest.mapping import decide
from pipeline.ingest.reading import (
    ClockReading,
    ColumnReading,
    Continues,
    DialectReading,
    Message,
    RawSession,
    Reading,
)
from pipeline.ingest.sessions import make_session
from pipeline.ingest.stamps import DAY_S, Stamps
from pipeline.ingest.table import Section, Table, read_table
from pipeline.ingest.text import (
    Content,
    Refused,
    decode,
    load,
    refuse_other_formats,
    refuse_too_many_rows,
)
from pipeline.vehicle import Vehicle
from pipeline.wording import counted

NO_ENGINE = frozenset(
    {"vehicle_speed", "latitude", "longitude", "ambient_air_temperature", "barometric_pressure"}
)
"""Channels that other people's tables have too: alone they make no engine log."""

FAILED = "the reader itself failed"
"""Reason of a file on which the reader has a defect."""

_SET_ASIDE_CURE = "nothing to do if it is no log"


def read_log(path: Path, *, vehicle: Vehicle) -> Reading:
    """Read one file. Whatever it holds the answer is a Reading, never an exception."""
    try:
        content = load(path, vehicle.limits)
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
    except Exception as error:
        # One file must never stop the others; the fuzz test treats this reason as a failure.
        return _aside(f"{FAILED} ({type(error).__name__})", "report this with the file", content)


def _aside(reason: str, cure: str, content: Content | None = None) -> Reading:
    size = content.size if content else 0
    digest = content.sha256 if content else ""
    return Reading("set_aside", reason, size, digest, messages=[Message(1, reason, cure)])


def _read(content: Content, vehicle: Vehicle) -> Reading:
    refuse_other_formats(content.data)
    text = decode(content.data)
    content.release()
    if not text.data[:65536].strip(b"\0 \t\n") and not text.data.strip(b"\0 \t\n"):
        raise Refused("empty file" if not text.data.strip(b"\0") else "only blank lines")
    refuse_too_many_rows(count_bytes(text.data, ord("\n")), vehicle.limits)
    lines = sample_lines(text.data)
    layout = find_layout(lines)
    if layout is None:
        raise Refused("not a log: no table in it")
    if layout.header < 0:
        raise Refused("no header row with column names found", "add a row with the columns' names")
    most = vehicle.limits.max_columns
    if max(len(layout.names), layout.width) > most:
        raise Refused(f"more than {most} columns", "raise [limits] max_columns or log fewer")
    table = read_table(text.data, layout, finished=text.finished)
    dialect = DialectReading(
        text.encoding,
        _shown(layout.separator),
        layout.decimal,
        layout.header + 1,
        layout.unit_lines[0] + 1 if layout.unit_lines else 0,
    )
    # The text is as large as the columns made from it, and nobody needs it any more.
    del text
    return _assemble(content, dialect, table, vehicle)


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


class _NoClockError(Refused):
    """Rows whose time nothing tells."""


def _assemble(content: Content, dialect: DialectReading, table: Table, vehicle: Vehicle) -> Reading:
    messages: list[Message] = []
    other = Counter(table.other)
    parts, dropped = _parts(table, vehicle, messages, other)
    if not parts:
        if dropped:
            raise Refused("no row could be assigned to the columns",
                          "check the columns' names against the rows")  # fmt: skip
        raise Refused("a header but no rows", _SET_ASIDE_CURE)
    sessions = _chain(parts)
    rows = sum(session.frame.height for session in sessions)
    if not rows:
        raise Refused(
            "no row with a readable clock", 'name the clock\'s column: [channels] ... = "time"'
        )
    if rows > vehicle.limits.max_rows:
        raise Refused(
            f"more than {vehicle.limits.max_rows} rows", "raise [limits] max_rows or split it"
        )
    lost = {reason: count for reason, count in sorted(dropped.items()) if count}
    for reason, count in lost.items():
        messages.append(
            Message(
                1, f"{counted(count, 'row')} dropped: {reason}", _CURES.get(reason, "see the log")
            )
        )
    rejected = any("unreadable" in c.rejected for s in sessions for c in s.channels.values())
    reason = ", ".join(
        f"{counted(count, 'row')} dropped ({reason})" for reason, count in lost.items()
    )
    return Reading(
        status="partial" if lost or rejected else "read",
        reason=reason or ("unreadable cells" if rejected else ""),
        bytes=content.size,
        sha256=content.sha256,
        rows_read=rows,
        rows_dropped=lost,
        lines_other={kind: count for kind, count in sorted(other.items()) if count},
        dialect=dialect,
        columns=list(dict.fromkeys(column for part in parts for column in part.columns)),
        messages=list(dict.fromkeys(messages)),
        sessions=sessions,
    )


def _parts(
    table: Table, vehicle: Vehicle, messages: list[Message], other: Counter[str]
) -> tuple[list[_Part], Counter[str]]:
    """Make every header's rows into sessions; rows dropped by reason.

    One stretch that cannot be read does not cost the others: its rows are counted. Raises the
    first refusal where all are refused.
    """
    parts: list[_Part] = []
    dropped: Counter[str] = Counter()
    refusals: list[tuple[int, Refused]] = []
    for raw_section in table.sections:
        section = widen(raw_section, other)
        dropped.update(section.dropped)
        if not len(section.line):
            continue
        try:
            part = _part(section, table.preamble, vehicle, messages)
        except Refused as refusal:
            refusals.append((len(section.line), refusal))
            continue
        dropped.update(part.dropped)
        parts.append(part)
    if refusals and not parts:
        raise refusals[0][1]
    for count, refused in refusals:
        without_clock = isinstance(refused, _NoClockError)
        dropped["stretch_without_clock" if without_clock else "unknown_columns"] += count
    return parts, dropped


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
    stamps, clock = clock_of(section, vehicle)
    line = section.header_line
    decisions, notes = decide(section.columns, vehicle.channels, clock, line)
    messages.extend(notes)
    mapped = {d.channel for d in decisions if d.channel in CHANNELS}
    by_hand = any(d.why == "vehicle.toml" for d in decisions)
    if not by_hand and not mapped - NO_ENGINE:
        raise Refused(
            "not an engine log: no column is a known channel",
            "if it is one, name its columns under [channels] in vehicle.toml",
        )
    if stamps is None:
        rate = vehicle.log.rate_hz or stated_rate(preamble)
        if not rate:
            raise _NoClockError("neither a clock nor a rate: state the rate under [log] rate_hz",
                                "set [log] rate_hz in vehicle.toml")  # fmt: skip
        seconds = np.arange(len(section.line)) / rate
        stamps = Stamps("elapsed", seconds, 1.0 / rate, why="rate")
    axis = unroll(stamps, vehicle.limits.session_gap_s)
    dropped: Counter[str] = Counter()
    lost = int((~axis.keep).sum())
    if lost:
        dropped["bad_time"] = lost
    converted, notes = apply(section.columns, decisions, vehicle, line)
    messages.extend(notes)
    columns = [
        ColumnReading(
            c.column.header.strip(),
            c.decision.channel if c.decision.channel != "ignore" else "",
            c.decision.unit,
            c.decision.conversion,
            c.decision.why,
        )
        for c in converted
        if c.column.header.strip()
    ]
    sessions, spans, edges = [], [], []
    for first, last, cut in pieces(axis):
        if last <= first:
            continue
        session = make_session(section, axis, converted, first, last, stamps, vehicle.limits)
        if cut is not None:
            session.continues = Continues(cut.reason, cut.gap_s)
        sessions.append(session)
        spans.append(float(session.frame["time"][-1]))
        edges.append((float(axis.seconds[first]), float(axis.seconds[last - 1])))
    if sessions:
        sessions[0].rows_dropped = dict(sorted((section.dropped + dropped).items()))
    return _Part(sessions, columns, dropped, spans, edges, stamps.kind)


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
                elif part.kind == "time" and previous[0] != "elapsed" and not restarted:
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
