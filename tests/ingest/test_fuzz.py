"""Damaged and polluted logs: nothing escapes, every line is accounted for, no value moves."""

import random
from pathlib import Path

import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.ingest import read_log
from pipeline.vehicle import DEFAULT_VEHICLE
from tests.ingest.writer import TRUTH, Dialect, rows_of, table, write
from tests.soak.ingest_fuzz import draw_log, moved, one, pollute, to_bytes, unaccounted


def test_two_thousand_damaged_files(tmp_path: Path) -> None:
    problems = {seed: found for seed in range(2000) if (found := one(seed, tmp_path))}
    assert problems == {}


def test_three_hundred_polluted_logs_have_no_wrong_value(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    read, kept = 0, 0
    for seed in range(300):
        rng = random.Random(10_000 + seed)
        log = draw_log(rng)
        lines = pollute(log, rng)
        content = to_bytes(lines, log)
        path.write_bytes(content)
        reading = read_log(path, vehicle=DEFAULT_VEHICLE)
        assert unaccounted(content, reading) == ""
        assert moved(reading, lines, log.separator) == []
        read += reading.status != "set_aside"
        kept += reading.rows_read
    # Most rows of most logs are untouched; a reader that drops everything proves nothing.
    assert read >= 295
    assert kept >= 6000


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    encoding=st.sampled_from(["utf-8", "utf-16-le", "utf-16-be", "cp1252", "latin-1", "twice"]),
    bom=st.booleans(),
    mark=st.sampled_from(
        [(";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", "."), ("|", ","), (",", ".")]
    ),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    quote=st.sampled_from(["", '"', "'"]),
    pad=st.booleans(),
    trailing=st.booleans(),
    unit_style=st.sampled_from(["()", "[]", "_", "-", "row"]),
    missing=st.sampled_from(["", "NaN", "N/A", "---", "null", "1.#QNAN"]),
    preamble=st.sampled_from([(), ("a note",), ("1,2,3", "x;y;z", "")]),
    seed=st.integers(0, 1000),
)
def test_random_tables_through_random_dialects(
    tmp_path: Path,
    encoding: str,
    bom: bool,
    mark: tuple[str, str],
    end: str,
    quote: str,
    pad: bool,
    trailing: bool,
    unit_style: str,
    missing: str,
    preamble: tuple[str, ...],
    seed: int,
) -> None:
    if encoding.startswith("utf-16") and not bom:
        bom = seed % 2 == 0
    dialect = Dialect(
        encoding,
        bom,
        mark[0],
        mark[1],
        end,
        quote,
        pad and not quote,
        trailing,
        False,
        preamble,
        unit_style,
        missing,
    )
    data = table(40, seed=seed, holes=0.1)
    content = write(["Time", *(t[0] for t in TRUTH)], ["s", *(t[1] for t in TRUTH)],
                    rows_of(data, dialect), dialect)  # fmt: skip
    path = tmp_path / "log.csv"
    path.write_bytes(content)
    reading = read_log(path, vehicle=DEFAULT_VEHICLE)
    assert reading.status == "read", (reading.reason, reading.rows_dropped)
    frame = pl.concat([s.frame for s in reading.sessions])
    assert frame.height == 40
    for _, _, channel, _ in TRUTH:
        assert frame[channel].to_list() == data[channel], (channel, reading.columns)
