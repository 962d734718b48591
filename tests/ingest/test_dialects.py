"""The dialect suite: each file with its truth (rows, sessions, mapping, values)."""

import gzip
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from pipeline.ingest import Reading, blocks, read_log
from pipeline.vehicle import DEFAULT_VEHICLE
from tests.ingest.writer import TRUTH, Dialect, rows_of, table, write

PLAIN = Dialect()
PRE = tuple(f"note {i}: nothing" for i in range(50))
CASES: dict[str, Dialect] = {
    "plain": PLAIN,
    "utf8_bom": Dialect(bom=True),
    "utf16le_bom": Dialect(encoding="utf-16-le", bom=True),
    "utf16be_bom": Dialect(encoding="utf-16-be", bom=True),
    "utf16le": Dialect(encoding="utf-16-le"),
    "utf16be": Dialect(encoding="utf-16-be"),
    "cp1252": Dialect(encoding="cp1252"),
    "latin1": Dialect(encoding="latin-1"),
    "utf8_twice": Dialect(encoding="twice"),
    "crlf": Dialect(end="\r\n"),
    "cr": Dialect(end="\r"),
    "semicolon": Dialect(separator=";"),
    "semicolon_comma": Dialect(separator=";", decimal=","),
    "semicolon_comma_latin1": Dialect(separator=";", decimal=",", encoding="latin-1"),
    "tab": Dialect(separator="\t"),
    "tab_comma": Dialect(separator="\t", decimal=","),
    "pipe": Dialect(separator="|"),
    "pipe_comma": Dialect(separator="|", decimal=","),
    "quoted": Dialect(quote='"'),
    "quoted_comma": Dialect(quote='"', decimal=","),
    "single_quoted": Dialect(quote="'"),
    "single_quoted_comma": Dialect(quote="'", decimal=","),
    "padded": Dialect(pad=True),
    "padded_comma": Dialect(pad=True, separator=";", decimal=","),
    "trailing_both": Dialect(trailing=True, header_trailing=True),
    "trailing_rows": Dialect(trailing=True),
    "trailing_header": Dialect(header_trailing=True),
    "trailing_semicolon": Dialect(trailing=True, separator=";", decimal=","),
    "preamble_1": Dialect(preamble=("Log of a test drive",)),
    "preamble_50": Dialect(preamble=PRE),
    "preamble_cells": Dialect(preamble=("Version,1.2", "Serial,12345", "")),
    "preamble_like_data": Dialect(preamble=("1,2,3,4,5,6", "7,8,9,10,11,12")),
    "preamble_date": Dialect(preamble=("2024;05;01", "12:00:00")),
    "preamble_hash": Dialect(preamble=("# written by a logger", "# rate 25 Hz")),
    "units_brackets": Dialect(unit_style="[]"),
    "units_underscore": Dialect(unit_style="_"),
    "units_dash": Dialect(unit_style="-"),
    "units_row": Dialect(unit_style="row"),
    "units_row_tab": Dialect(unit_style="row", separator="\t", decimal=","),
    "units_row_quoted": Dialect(unit_style="row", quote='"'),
    "missing_nan": Dialect(missing="NaN"),
    "missing_na": Dialect(missing="N/A"),
    "missing_dash": Dialect(missing="-"),
    "missing_dashes": Dialect(missing="---"),
    "missing_null": Dialect(missing="null"),
    "missing_qnan": Dialect(missing="1.#QNAN"),
    "missing_ind": Dialect(missing="-1.#IND"),
    "missing_hash": Dialect(missing="#N/A"),
    "missing_comma": Dialect(missing="NaN", separator=";", decimal=","),
    "utf16_tab_comma": Dialect(
        encoding="utf-16-le", bom=True, separator="\t", decimal=",", end="\r\n"
    ),
}


def read(path: Path, content: bytes, vehicle: object = DEFAULT_VEHICLE) -> Reading:
    """Write a file and read it."""
    path.write_bytes(content)
    return read_log(path, vehicle=vehicle)  # type: ignore[arg-type]


def check(reading: Reading, data: dict[str, list[float | None]], *, time: bool = True) -> None:
    """One session with every row and every value in its own channel."""
    assert reading.status == "read", (reading.reason, reading.rows_dropped)
    assert len(reading.sessions) == 1
    frame = reading.sessions[0].frame
    assert reading.rows_read == frame.height == len(data["time"])
    for channel in (c for _, _, c, _ in TRUTH):
        wanted = np.array([np.nan if v is None else v for v in data[channel]])
        assert channel in frame.columns, (channel, reading.columns)
        got = frame[channel].fill_null(np.nan).to_numpy()
        assert np.allclose(got, wanted, rtol=1e-12, atol=1e-12, equal_nan=True), channel
    if time:
        wanted = np.array(data["time"], dtype=float)
        assert np.allclose(frame["time"].to_numpy(), wanted - wanted[0], atol=1e-6)
    assert np.all(np.diff(frame["time"].to_numpy()) > 0)


@pytest.mark.parametrize("case", sorted(CASES))
def test_dialect(case: str, tmp_path: Path) -> None:
    dialect = CASES[case]
    holes = 0.1 if dialect.missing or case in ("plain", "semicolon_comma", "quoted") else 0.0
    data = table(120, holes=holes)
    names = ["Time", *(t[0] for t in TRUTH)]
    units = ["s", *(t[1] or "" for t in TRUTH)]
    check(read(tmp_path / "log.csv", write(names, units, rows_of(data, dialect), dialect)), data)


CLOCKS = {
    "seconds": ("Time", "s", lambda t: f"{t:.3f}"),
    "ms": ("Time", "ms", lambda t: f"{1000 * t:.0f}"),
    "ms_unstated": ("Time", "", lambda t: f"{1000 * t:.0f}"),
    "us": ("Timestamp", "us", lambda t: f"{1e6 * t:.0f}"),
    "of_day": ("Time", "", lambda t: f"09:{int(t) // 60:02d}:{t % 60:06.3f}"),
    "of_day_comma": (
        "Zeit",
        "",
        lambda t: f"09:{int(t) // 60:02d}:{t % 60:06.3f}".replace(".", ","),
    ),
    "am_pm": ("Time", "", lambda t: f"12:{59 + int(t + 58) // 60 - 59 if t < 2 else 0:02d}:00 PM"),
    "iso_zone": (
        "Timestamp",
        "",
        lambda t: f"2024-05-01T10:{int(t) // 60:02d}:{t % 60:06.3f}+02:00",
    ),
    "iso_blank": ("Datetime", "", lambda t: f"2024-05-01 10:{int(t) // 60:02d}:{t % 60:06.3f}"),
    "german": ("Zeit", "", lambda t: f"01.05.2024 10:{int(t) // 60:02d}:{t % 60:06.3f}"),
    "epoch_s": ("Timestamp", "", lambda t: f"{1714557600 + t:.3f}"),
    "epoch_ms": ("Timestamp", "", lambda t: f"{1714557600000 + 1000 * t:.0f}"),
    "minutes": ("Elapsed", "", lambda t: f"{int(t) // 60}:{t % 60:06.3f}"),
}


@pytest.mark.parametrize("case", sorted(set(CLOCKS) - {"am_pm"}))
@pytest.mark.parametrize("separator", [";", "\t"])
def test_clock(case: str, separator: str, tmp_path: Path) -> None:
    name, unit, shown = CLOCKS[case]
    data = table(120)
    dialect = Dialect(separator=separator)
    clock = [shown(float(t or 0)) for t in data["time"]]
    names = [name, *(t[0] for t in TRUTH)]
    units = [unit, *(t[1] for t in TRUTH)]
    reading = read(
        tmp_path / "log.csv", write(names, units, rows_of(data, dialect, clock), dialect)
    )
    check(reading, data)
    start = reading.sessions[0].clock.start
    if case in ("iso_zone", "iso_blank", "german"):
        assert start is not None
        assert start.isoformat() == "2024-05-01T10:00:00"
    if case in ("epoch_s", "epoch_ms"):
        assert start is not None
        assert start.isoformat() == "2024-05-01T10:00:00"


def test_spreadsheet_serial(tmp_path: Path) -> None:
    # 45413.5 is noon of 2024-05-01 in the 1900 date base (ECMA-376; own arithmetic).
    data = table(120)
    clock = [f"{45413.5 + float(t or 0) / 86400:.10f}" for t in data["time"]]
    dialect = PLAIN
    names = ["Time", *(t[0] for t in TRUTH)]
    content = write(names, ["", *(t[1] for t in TRUTH)], rows_of(data, dialect, clock), dialect)
    reading = read(tmp_path / "log.csv", content)
    frame = reading.sessions[0].frame
    assert np.allclose(frame["time"].to_numpy(), np.array(data["time"], dtype=float), atol=2e-3)
    assert str(reading.sessions[0].clock.start)[:16] == "2024-05-01 12:00"


@pytest.mark.parametrize(("modulus", "unit"), [(65536, "ms"), (4294967296, "us")])
def test_counter_wraps(modulus: int, unit: str, tmp_path: Path) -> None:
    data = table(200)
    scale = 1000 if unit == "ms" else 1_000_000
    first = modulus - 100 * scale // 25 - scale // 50
    clock = [f"{(first + round(float(t or 0) * scale)) % modulus}" for t in data["time"]]
    names = ["Time", *(t[0] for t in TRUTH)]
    content = write(names, [unit, *(t[1] for t in TRUTH)], rows_of(data, PLAIN, clock), PLAIN)
    check(read(tmp_path / "log.csv", content), data)


@pytest.mark.parametrize("start", [86400 - 2, 43200 + 3598])
def test_midnight_and_noon(start: int, tmp_path: Path) -> None:
    data = table(200)
    noon = start != 86398

    def shown(t: float) -> str:
        total = start + t
        hour = int(total // 3600) % 24
        hour = (hour - 1) % 12 + 1 if noon else hour
        return f"{hour:02d}:{int(total // 60) % 60:02d}:{total % 60:06.3f}"

    clock = [shown(float(t or 0)) for t in data["time"]]
    names = ["Time", *(t[0] for t in TRUTH)]
    content = write(names, ["", *(t[1] for t in TRUTH)], rows_of(data, PLAIN, clock), PLAIN)
    check(read(tmp_path / "log.csv", content), data)


def test_restart_gap_and_repeated_header(tmp_path: Path) -> None:
    data = table(120)
    rows = rows_of(data, PLAIN)
    names, units = ["Time", *(t[0] for t in TRUTH)], ["s", *(t[1] for t in TRUTH)]
    whole = write(names, units, rows, PLAIN)
    later = [[f"{float(r[0]) + 90:.3f}", *r[1:]] for r in rows]
    body = write(names, units, later, PLAIN).split(b"\n", 1)[1]
    restarted = whole + whole.split(b"\n", 1)[1]
    assert [len(s.frame) for s in read(tmp_path / "a.csv", restarted).sessions] == [120, 120]
    gap = read(tmp_path / "b.csv", whole + body)
    assert [len(s.frame) for s in gap.sessions] == [120, 120]
    continues = gap.sessions[1].continues
    assert continues is not None
    assert continues.reason == "gap"
    assert continues.gap_s == pytest.approx(90 - 119 * 0.04, abs=0.01)
    patient = msgspec.structs.replace(DEFAULT_VEHICLE.limits, session_gap_s=100.0, log_gap_s=90.0)
    car = msgspec.structs.replace(DEFAULT_VEHICLE, limits=patient)
    (joined,) = read(tmp_path / "b.csv", whole + body, car).sessions
    assert len(joined.frame) == 240
    assert joined.gaps == []
    headed = read(tmp_path / "c.csv", whole + whole)
    assert [len(s.frame) for s in headed.sessions] == [120, 120]
    assert headed.lines_other["header"] == 2


def test_repeated_header_in_another_order(tmp_path: Path) -> None:
    data = table(60)
    names, units = ["Time", *(t[0] for t in TRUTH)], ["s", *(t[1] for t in TRUTH)]
    rows = rows_of(data, PLAIN)
    turned = [[r[0], *reversed(r[1:])] for r in rows]
    other = [names[0], *reversed(names[1:])]
    units_turned = [units[0], *reversed(units[1:])]
    content = write(names, units, rows, PLAIN) + write(other, units_turned, turned, PLAIN)
    reading = read(tmp_path / "log.csv", content)
    assert len(reading.sessions) == 2
    for session in reading.sessions:
        for _, _, channel, _ in TRUTH:
            assert session.frame[channel].to_list() == data[channel]


def test_units_in_cells(tmp_path: Path) -> None:
    data = table(120)
    marks = ["s", "rpm", "kPa", "C", "", "%"]
    rows = [[c + u for c, u in zip(row, marks, strict=True)] for row in rows_of(data, PLAIN)]
    names = ["Time", *(t[0] for t in TRUTH)]
    check(read(tmp_path / "log.csv", write(names, [""] * 6, rows, PLAIN)), data)


def test_thousands_marks(tmp_path: Path) -> None:
    data = table(120)
    for mark in ("'", " ", "\u00a0", "."):
        rows = rows_of(data, Dialect(separator=";", decimal=","))
        rows = [[r[0], f"{float(r[1]):,.0f}".replace(",", mark) + ",0", *r[2:]] for r in rows]
        dialect = Dialect(separator=";", decimal=",")
        content = write(
            ["Time", *(t[0] for t in TRUTH)], ["s", *(t[1] for t in TRUTH)], rows, dialect
        )
        check(read(tmp_path / "log.csv", content), data)


def test_long_format(tmp_path: Path) -> None:
    data = table(60)
    lines = ["time,signal,value"]
    for i, t in enumerate(data["time"]):
        lines += [f"{t},{name},{data[channel][i]}" for name, _, channel, _ in TRUTH]
    reading = read(tmp_path / "log.csv", ("\n".join(lines) + "\n").encode())
    check(reading, data)


def test_gzip_and_other_names(tmp_path: Path) -> None:
    data = table(60)
    content = write(
        ["Time", *(t[0] for t in TRUTH)], ["s", *(t[1] for t in TRUTH)], rows_of(data, PLAIN), PLAIN
    )
    check(read(tmp_path / "журнал поездки.csv.gz", gzip.compress(content)), data)
    check(
        read(tmp_path / "a b.dat", gzip.compress(content[:500]) + gzip.compress(content[500:])),
        data,
    )


def test_large_latin1(tmp_path: Path) -> None:
    # Beyond 64 kB, with and without a degree sign in the body.
    data = table(3000)
    dialect = Dialect(separator=";", decimal=",", encoding="latin-1")
    names, units = ["Time", *(t[0] for t in TRUTH)], ["s", *(t[1] for t in TRUTH)]
    content = write(names, units, rows_of(data, dialect), dialect)
    check(read(tmp_path / "a.csv", content), data)
    reading = read(tmp_path / "b.csv", content + "# 90 °C\n".encode("latin-1"))
    check(reading, data)
    assert reading.sessions[0].markers[0][1] == "90 °C"


def test_gzip_without_end_is_refused(tmp_path: Path) -> None:
    reading = read(tmp_path / "bomb.csv.gz", gzip.compress(b"0" * 60_000_000))
    assert reading.status == "set_aside"
    assert "inflates" in reading.reason


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize(
    ("limit", "value"), [("max_rows", 1000), ("max_bytes", 1 << 20), ("max_columns", 10)]
)
def test_a_limit_is_named_where_it_bites(
    limit: str, value: int, packed: bool, tmp_path: Path
) -> None:
    names = ["Time (s)", "RPM", *(f"Aux {i}" for i in range(9))]
    lines = [",".join([f"{i / 10}", "800", *["0" * 9] * 9]) for i in range(12_000)]
    content = ("\n".join([",".join(names), *lines]) + "\n").encode()
    content = gzip.compress(content) if packed else content
    wide = msgspec.structs.replace(DEFAULT_VEHICLE.limits, max_columns=11)
    car = msgspec.structs.replace(DEFAULT_VEHICLE, limits=wide)
    assert read(tmp_path / "a.csv", content, car).status == "read"
    tight = msgspec.structs.replace(wide, **{limit: value})
    reading = read(tmp_path / "a.csv", content, msgspec.structs.replace(car, limits=tight))
    assert reading.status == "set_aside"
    assert f"more than {value}" in reading.reason
    assert limit in reading.messages[0].cure


def test_blanks_between_columns(tmp_path: Path) -> None:
    data = table(60)
    names = ["Time", "RPM", "MAP_kPa", "Coolant_C", "Lambda", "TPS"]
    lines = ["".join(n.ljust(12) for n in names)]
    lines += ["".join(c.ljust(12) for c in row) for row in rows_of(data, PLAIN)]
    check(read(tmp_path / "log.txt", ("\n".join(lines) + "\n").encode()), data)


def test_markers_and_comments(tmp_path: Path) -> None:
    data = table(60)
    content = write(
        ["Time", *(t[0] for t in TRUTH)], ["s", *(t[1] for t in TRUTH)], rows_of(data, PLAIN), PLAIN
    )
    lines = content.decode().split("\n")
    lines.insert(40, "# hill begins")
    lines.insert(30, "MARK 1")
    lines.insert(20, "")
    reading = read(tmp_path / "log.csv", "\n".join(lines).encode())
    check(reading, data)
    assert [text for _, text in reading.sessions[0].markers] == ["MARK 1", "hill begins"]
    assert reading.lines_other == {"blank": 1, "comment": 1, "header": 1, "marker": 1}


def test_rate_stated(tmp_path: Path) -> None:
    data = table(60)
    rows = [row[1:] for row in rows_of(data, PLAIN)]
    content = write([t[0] for t in TRUTH], [t[1] for t in TRUTH], rows, PLAIN)
    none = read(tmp_path / "log.csv", content)
    assert none.status == "set_aside"
    assert "[log] rate_hz" in none.reason
    log = type(DEFAULT_VEHICLE.log)(rate_hz=25.0)
    vehicle = type(DEFAULT_VEHICLE)(log=log)
    check(read(tmp_path / "log.csv", content, vehicle), data)
    check(read(tmp_path / "log.csv", b"Sample rate: 25 Hz\n" + content), data)


def test_coarse_clock_is_spread(tmp_path: Path) -> None:
    data = table(250)
    clock = [f"{int(float(t or 0))}" for t in data["time"]]
    content = write(
        ["Time", *(t[0] for t in TRUTH)],
        ["s", *(t[1] for t in TRUTH)],
        rows_of(data, PLAIN, clock),
        PLAIN,
    )
    check(read(tmp_path / "log.csv", content), data)


@pytest.mark.parametrize("columns", [2, 30, 1000])
def test_many_columns(columns: int, tmp_path: Path) -> None:
    names = ["Time (s)", "RPM", *(f"Aux {i}" for i in range(columns - 2))]
    lines = [",".join(names)]
    lines += [
        ",".join([f"{i * 0.1:.1f}", str(1000 + i), *(str(i + k) for k in range(columns - 2))])
        for i in range(30)
    ]
    reading = read(tmp_path / "log.csv", ("\n".join(lines) + "\n").encode())
    assert reading.status == "read"
    frame = reading.sessions[0].frame
    assert frame.width == columns
    assert frame["engine_speed"].to_list() == [1000 + i for i in range(30)]
    if columns > 2:
        assert frame[f"other.Aux {columns - 3}"].to_list() == [i + columns - 3 for i in range(30)]


def test_one_column(tmp_path: Path) -> None:
    vehicle = type(DEFAULT_VEHICLE)(log=type(DEFAULT_VEHICLE.log)(rate_hz=10.0))
    reading = read(
        tmp_path / "log.csv", b"RPM\n" + b"".join(b"%d\n" % (900 + i) for i in range(40)), vehicle
    )
    assert reading.status == "read"
    assert reading.sessions[0].frame["engine_speed"].to_list() == [900 + i for i in range(40)]


def test_fast_and_repair_agree(tmp_path: Path) -> None:
    data = table(300, holes=0.05)
    content = write(
        ["Time", *(t[0] for t in TRUTH)], ["s", *(t[1] for t in TRUTH)], rows_of(data, PLAIN), PLAIN
    )
    fast = read(tmp_path / "a.csv", content)
    slow = read(tmp_path / "b.csv", content + b"\n")
    assert slow.lines_other["blank"] == 1
    assert fast.sessions[0].frame.equals(slow.sessions[0].frame)
    check(replace(slow, status="read"), data)


def test_a_long_log_is_read_in_blocks_and_each_column_lies_in_one_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of pieces put together later two copies lie in memory: a log of max_rows took 1.5 GB."""
    data = table(300, holes=0.05)
    content = write(
        ["Time", *(t[0] for t in TRUTH)], ["s", *(t[1] for t in TRUTH)], rows_of(data, PLAIN), PLAIN
    )
    whole = read(tmp_path / "a.csv", content).sessions[0].frame
    monkeypatch.setattr(blocks, "WHOLE_BYTES", 2000)
    monkeypatch.setattr(blocks, "BLOCK_BYTES", 1000)
    monkeypatch.setattr("pipeline.ingest.table.BLOCK_BYTES", 1000)
    assert len(list(blocks.cut(content))) > 5
    for damage in (b"", b"\n"):
        frame = read(tmp_path / "b.csv", content + damage).sessions[0].frame
        assert frame.equals(whole)
        assert {column.n_chunks() for column in frame.iter_columns()} == {1}
