"""Reading of logs: whatever a logger writes, to sessions in canonical channels and units."""

from pipeline.ingest.explain import explain
from pipeline.ingest.reader import read_log
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
from pipeline.ingest.samples import write_samples
from pipeline.ingest.start import date_in_name, resolve_start

__all__ = [
    "ChannelReading",
    "ClockReading",
    "ColumnReading",
    "Continues",
    "DialectReading",
    "Message",
    "RawSession",
    "Reading",
    "date_in_name",
    "explain",
    "read_log",
    "resolve_start",
    "write_samples",
]
