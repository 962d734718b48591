"""What reading a log gives: plain records, no behaviour beyond small conveniences."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

import polars as pl

Status = Literal["read", "partial", "set_aside"]


@dataclass(frozen=True, slots=True)
class Message:
    """One line for the user: what is wrong at `line` and what to do about it."""

    line: int
    what: str
    cure: str


@dataclass(frozen=True, slots=True)
class DialectReading:
    """How the text is written; lines count from 1, 0 where there is none."""

    encoding: str = ""
    separator: str = ""
    decimal: str = ""
    header_line: int = 0
    unit_line: int = 0


@dataclass(frozen=True, slots=True)
class ColumnReading:
    """What one column of the log became and why. `channel` is empty where it is unmapped."""

    column: str
    channel: str
    unit: str
    conversion: str
    why: str


@dataclass(frozen=True, slots=True)
class ChannelReading:
    """One canonical channel of one session. `rejected` counts values by reason."""

    unit: str
    column: str
    conversion: str
    rows: int
    effective_hz: float
    rejected: dict[str, int]


@dataclass(frozen=True, slots=True)
class Continues:
    """Why this session was cut from the one before it in the same file."""

    reason: str
    gap_s: float | None


@dataclass(frozen=True, slots=True)
class ClockReading:
    """What the log itself says about when the session began.

    `start` is a naive local datetime where the log has a date, `time_of_day_s` seconds after
    midnight where it has only that. `since_file_start_s` and `to_file_end_s` place the session's
    first row between the file's first and last rows, as far as the log tells.
    """

    start: datetime | None = None
    time_of_day_s: float | None = None
    utc_offset_s: float | None = None
    since_file_start_s: float = 0.0
    to_file_end_s: float = 0.0
    kind: str = "elapsed"


@dataclass(slots=True)
class RawSession:
    """One stretch of logging: `time` (s), canonical channels, `other.*` columns."""

    first_line: int
    last_line: int
    frame: pl.DataFrame
    channels: dict[str, ChannelReading]
    units: dict[str, str]
    clock: ClockReading
    continues: Continues | None = None
    markers: list[tuple[float, str]] = field(default_factory=list)
    rows_dropped: dict[str, int] = field(default_factory=dict)
    gaps: list[tuple[float, float]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Reading:
    """All that is known of one input file after reading it."""

    status: Status
    reason: str
    bytes: int
    sha256: str
    rows_read: int = 0
    rows_dropped: dict[str, int] = field(default_factory=dict)
    lines_other: dict[str, int] = field(default_factory=dict)
    dialect: DialectReading = DialectReading()
    columns: list[ColumnReading] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    sessions: list[RawSession] = field(default_factory=list)
