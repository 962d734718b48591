"""What a session may see of the past: by the time on the wall, not by the order of offsets."""

import pytest

from pipeline.history import (
    decode_history,
    encode_history,
    entries_until,
    kept_digest,
    local_time,
)
from pipeline.results import Result
from tests.trends.summaries import day, entry, summary


@pytest.mark.parametrize(
    "stamp",
    ["2026-05-01T18:00:00", "2026-05-01T18:00:00Z", "2026-05-01T18:00:00+02:00",
     "2026-05-01T18:00:00-07:00"],
)  # fmt: skip
def test_the_offset_is_cut_off_and_the_day_is_not(stamp: str) -> None:
    assert local_time(stamp) == "2026-05-01T18:00:00"
    assert local_time("2026-05-01") == "2026-05-01"


def test_what_was_written_down_later_is_not_known_yet() -> None:
    book = [entry(0.0), entry(1.0), entry(2.0)]
    assert entries_until(book, day(1.0).isoformat()) == book[:2]
    assert entries_until(book, day(1.0).isoformat() + "+02:00") == book[:2]


def test_a_history_is_read_back_in_order_and_damaged_bytes_are_none() -> None:
    logs = [summary(n, metrics={"m": float(n)}) for n in (2, 0, 1)]
    raw = encode_history(logs)
    assert list(decode_history(raw)) == [s.id for s in sorted(logs, key=lambda s: s.order)]
    assert decode_history(raw[:-10]) == {}
    assert decode_history(raw.replace(b'"schema_version":', b'"schema_version":9', 1)) == {}


def test_a_digest_s_own_keys_end_with_the_session() -> None:
    made = Result(status="clear", why="x", digest={"kept": 1, "_own": 2})
    assert kept_digest(made) == {"kept": 1}
