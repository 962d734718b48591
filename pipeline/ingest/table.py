"""Text to columns: polars' own reader where the text is clean, the repair path where not.

Both give the same on clean text. The fast path is taken when the number of separators is
exactly right and every cell of every number column is a number; polars then has nothing to
guess. Everything else is parted line by line into rows that can be assigned to columns without
a guess, lines that are no rows, and rows dropped with their reason.
"""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from pipeline.ingest.blocks import BLOCK_BYTES, cut, parsed
from pipeline.ingest.cells import blanks_to_tabs
from pipeline.ingest.dialect import SAMPLE_BYTES, Layout, kind_of
from pipeline.ingest.lines import Bools, Ints, Lines, count_bytes, find_lines
from pipeline.ingest.numbers import decimal_of, to_numbers
from pipeline.ingest.repair import Stretch, part

COLUMN_SAMPLE = 100
"""Rows looked at to tell number columns from text columns."""


@dataclass(slots=True)
class Column:
    """One column of a stretch. `unreadable` marks cells that hold no number where one belongs."""

    header: str
    unit_cell: str
    values: pl.Series
    unreadable: Bools | None = None
    cell_unit: str = ""
    decimal: str = "."

    @property
    def numeric(self) -> bool:
        """Whether the column holds numbers."""
        return self.values.dtype == pl.Float64


@dataclass(slots=True)
class Section:
    """Rows under one header. `line` counts from 1."""

    header_line: int
    unit_line: int
    columns: list[Column]
    line: Ints
    markers: list[tuple[int, str]] = field(default_factory=list)
    dropped: Counter[str] = field(default_factory=Counter)


@dataclass(slots=True)
class Table:
    """All sections of a file and what was no row."""

    sections: list[Section]
    other: Counter[str]
    preamble: list[str]


def read_table(data: bytes, layout: Layout, *, finished: bool) -> Table:
    """Read the whole text under a layout."""
    if layout.separator in (" ", "  "):
        text = blanks_to_tabs(data.decode("utf-8", "replace"), layout.separator, layout.quote)
        data, separator = text.encode("utf-8"), "\t"
    else:
        separator = layout.separator
    preamble = data[:SAMPLE_BYTES].decode("utf-8", "replace").split("\n")[: layout.header]
    fast = _fast(data, layout, separator) if finished else None
    if fast is not None:
        other = Counter({"preamble": sum(bool(line.strip()) for line in preamble)})
        other["blank"] = len(preamble) - other["preamble"]
        other["header"] = 1
        between = layout.first_data - layout.header - 1
        other["unit"] = len(layout.unit_lines)
        other["preamble"] += between - len(layout.unit_lines)
        return Table([fast], +other, preamble)
    lines = find_lines(data)
    stretches, other = part(lines, layout, separator, finished=finished)
    sections = [
        section
        for stretch in stretches
        if (section := _section(lines, stretch, layout, separator, other)) is not None
    ]
    return Table(sections, +other, preamble)


def _fast(data: bytes, layout: Layout, separator: str) -> Section | None:
    """The whole body through polars' reader, None where the text is not clean."""
    start = 0
    for _ in range(layout.first_data):
        start = data.find(b"\n", start) + 1
    count = len(layout.names)
    rows = count_bytes(data, ord("\n"), start)
    if rows < 1 or layout.width != count or count < 2 or not data.endswith(b"\n"):
        return None
    if count_bytes(data, ord(separator), start) != rows * (count - 1):
        return None
    if data.find(layout.quote.encode(), start) >= 0 or data.find(b"\0", start) >= 0:
        return None
    # A blank line lacks its separators, so some other line has too many, which polars refuses.
    sample = _sample_rows(_sampled(data, start), separator)
    numeric, decimals = _kinds(sample, count, layout.decimal)
    used = {decimals[i] for i in range(count) if numeric[i]}
    if len(used) > 1 or not used:
        return None
    cells = parsed(cut(data), rows, separator, numeric, used.pop(), layout.first_data)
    if cells is None:
        return None
    columns = []
    for index, name in enumerate(layout.names):
        series = cells[index]
        if numeric[index]:
            if series.dtype == pl.Float64 and not _finite(series):
                series = series.set(series.is_nan() | series.is_infinite(), None)
            columns.append(Column(name, _at(layout.units, index), series, None, "",
                                  decimals[index]))  # fmt: skip
        else:
            columns.append(Column(name, _at(layout.units, index), series))
    if _has_markers(columns):
        return None
    numbers = np.arange(rows, dtype=np.int64) + layout.first_data + 1
    unit_line = layout.unit_lines[0] + 1 if layout.unit_lines else 0
    return Section(layout.header + 1, unit_line, columns, numbers)


def _sampled(data: bytes, start: int) -> list[str]:
    """Whole lines from the body's head, middle and tail."""
    size = len(data) - start
    if size <= 4 * SAMPLE_BYTES:
        lines = data[start:].split(b"\n")[:-1]
        return [lines[int(i)].decode("utf-8", "replace") for i in _spread(len(lines))]
    texts: list[str] = []
    for place in np.linspace(0, size - SAMPLE_BYTES // 4, 5).astype(int).tolist():
        piece = data[start + place : start + place + SAMPLE_BYTES // 4].split(b"\n")
        inner = piece[bool(place) : -1][: COLUMN_SAMPLE // 4]
        texts += [line.decode("utf-8", "replace") for line in inner]
    return texts


def _finite(series: pl.Series) -> bool:
    total = series.sum()
    return total is None or math.isfinite(float(total))


def _has_markers(columns: Sequence[Column]) -> bool:
    """Whether a text column of clock readings holds other text: such lines are looked at."""
    for column in columns:
        if column.numeric or not len(column.values):
            continue
        head = column.values.drop_nulls().head(50).to_list()
        if head and all(kind_of(cell) == "t" for cell in head):
            letters = column.values.str.contains(r"[B-LNOQ-Zb-lnoq-y]{2}|^\s*[#%/]").any()
            if letters:
                return True
    return False


def _section(
    lines: Lines, stretch: Stretch, layout: Layout, separator: str, other: Counter[str]
) -> Section | None:
    count = len(stretch.names)
    picked = stretch.plain[_spread(len(stretch.plain))] if len(stretch.plain) else ()
    sample = _sample_rows([lines.text(int(i)) for i in picked], separator)
    sample += [row for _, row in stretch.rows[:: max(1, len(stretch.rows) // COLUMN_SAMPLE)]]
    numeric, decimals = _kinds(sample, count, layout.decimal)
    width = stretch.width
    numbers = stretch.plain + 1
    if (
        not stretch.rows
        and len(stretch.plain)
        and len({d for d, n in zip(decimals, numeric, strict=True) if n}) == 1
    ):
        kinds = [*numeric, *[False] * (width - count)]
        used = next(d for d, n in zip(decimals, numeric, strict=True) if n)
        found = _plain(lines, stretch.plain, separator, kinds, used)
        if found is not None:
            fills = [_cleaned(series) for series in found[: min(count, width)]]
            cols = _columns(stretch, fills, decimals)
            if not _has_markers(cols):
                return Section(stretch.header_line, stretch.unit_line, cols, numbers,
                               list(stretch.markers), stretch.dropped)  # fmt: skip
    texts = _as_text(lines, stretch.plain, separator, width)
    if texts is None:
        rows = [(int(i), lines.text(int(i)).split(separator)) for i in stretch.plain]
        rows += stretch.rows
        texts, numbers = [pl.Series([], dtype=pl.String)] * width, np.empty(0, dtype=np.int64)
    else:
        rows = list(stretch.rows)
    texts = texts[:count]
    while len(texts) < count:
        texts.append(pl.Series([None] * len(numbers), dtype=pl.String))
    if rows:
        rows.sort(key=lambda row: row[0])
        extra = np.array([row[0] + 1 for row in rows], dtype=np.int64)
        order = np.argsort(np.concatenate((numbers, extra)), kind="stable")
        numbers = np.concatenate((numbers, extra))[order]
        merged = []
        for index, text in enumerate(texts):
            cells = pl.Series([_at(row[1], index) for row in rows], dtype=pl.String)
            merged.append(pl.concat([text, cells])[order])
        texts = merged
    columns = []
    for index, name in enumerate(stretch.names):
        if numeric[index]:
            read = to_numbers(texts[index], decimal=decimals[index])
            columns.append(Column(name, _at(stretch.units, index), read.values,
                                  read.unreadable, read.unit, decimals[index]))  # fmt: skip
        else:
            text = texts[index].str.strip_chars()
            columns.append(Column(name, _at(stretch.units, index), text.set(text == "", None)))
    section = Section(stretch.header_line, stretch.unit_line, columns, numbers,
                      list(stretch.markers), stretch.dropped)  # fmt: skip
    return _take_markers_out(section, texts, other)


def _cleaned(series: pl.Series) -> pl.Series:
    if series.dtype == pl.Float64:
        return (
            series if _finite(series) else series.set(series.is_nan() | series.is_infinite(), None)
        )
    text = series.str.strip_chars()
    return text.set(text == "", None)


def _columns(stretch: Stretch, series: list[pl.Series], decimals: Sequence[str]) -> list[Column]:
    height = len(series[0]) if series else 0
    while len(series) < len(stretch.names):
        series.append(pl.Series([None] * height, dtype=pl.Float64))
    return [
        Column(name, _at(stretch.units, i), series[i], None, "", decimals[i])
        for i, name in enumerate(stretch.names)
    ]


def _take_markers_out(section: Section, texts: list[pl.Series], other: Counter[str]) -> Section:
    """Rows with words in place of numbers and nothing else are markers, not rows."""
    size = len(section.line)
    if not size:
        return section
    wordy = np.zeros(size, dtype=bool)
    filled = np.zeros(size, dtype=np.int64)
    for column, text in zip(section.columns, texts, strict=True):
        there = (text.str.strip_chars() != "").fill_null(False).to_numpy()
        filled += there
        clock = column.values.drop_nulls().head(20).to_list() if not column.numeric else []
        odd = column.unreadable
        if clock and all(kind_of(cell) == "t" for cell in clock[:20]):
            odd = text.str.contains(r"[A-Za-z]{3}").fill_null(False).to_numpy() & there
        if odd is not None and odd.any():
            words = text.str.contains(r"^\s*[#;%/]|\pL{2}").fill_null(False).to_numpy()
            wordy |= odd & words
    marker = wordy & (filled <= 2)
    empty = filled == 0
    if not marker.any() and not empty.any():
        return section
    for index in np.flatnonzero(marker):
        cells = [str(text[int(index)] or "").strip() for text in texts]
        section.markers.append((int(section.line[index]), " ".join(c for c in cells if c)))
    other["marker"] += int(marker.sum())
    other["blank"] += int((empty & ~marker).sum())
    keep = ~(marker | empty)
    mask = pl.Series(keep)
    for column in section.columns:
        column.values = column.values.filter(mask)
        column.unreadable = column.unreadable[keep] if column.unreadable is not None else None
    section.line = section.line[keep]
    section.markers.sort()
    return section


def _plain(
    lines: Lines, plain: Ints, separator: str, numeric: Sequence[bool], decimal: str
) -> list[pl.Series] | None:
    """Lines through polars' reader, some at a time: a copy of them all is the file once more."""
    sizes = np.cumsum(lines.end[plain] - lines.start[plain])
    cuts = np.searchsorted(sizes, np.arange(BLOCK_BYTES, int(sizes[-1]), BLOCK_BYTES))
    blocks = np.split(plain, np.unique(cuts[(cuts > 0) & (cuts < len(plain))]))
    pieces = (lines.join(block) for block in blocks)
    return parsed(pieces, len(plain), separator, numeric, decimal)


def _as_text(lines: Lines, plain: Ints, separator: str, width: int) -> list[pl.Series] | None:
    if not len(plain):
        return [pl.Series([], dtype=pl.String)] * width
    if width == 1:
        # Polars takes an empty line for nothing; with one column it may be an empty cell.
        cells = lines.join(plain).decode("utf-8", "replace").split("\n")[: len(plain)]
        return [pl.Series(cells, dtype=pl.String)]
    return _plain(lines, plain, separator, [False] * width, ".")


def _spread(size: int) -> Ints:
    """Up to COLUMN_SAMPLE of ``size`` indices: the first, the last and some between."""
    if size <= COLUMN_SAMPLE:
        return np.arange(size, dtype=np.int64)
    part = COLUMN_SAMPLE // 4
    middle = np.linspace(part, size - part - 1, COLUMN_SAMPLE - 2 * part)
    return np.unique(
        np.concatenate((np.arange(part), middle.astype(np.int64), np.arange(size - part, size)))
    )


def _sample_rows(texts: Sequence[str], separator: str) -> list[list[str]]:
    return [text.split(separator) for text in texts]


def _kinds(
    sample: Sequence[Sequence[str]], count: int, decimal: str
) -> tuple[list[bool], list[str]]:
    """For each column whether it holds numbers, and its decimal mark."""
    numeric: list[bool] = []
    decimals: list[str] = []
    for index in range(count):
        cells = [row[index] for row in sample if index < len(row) and row[index].strip()]
        kind = [kind_of(cell) for cell in cells]
        kinds = Counter(kind)
        numbers = kinds["n"]
        # Half: damage may fill a column with rubbish, words are hardly ever numbers.
        good = numbers > kinds["x"] + kinds["t"] or (not numbers and not kinds["x"] + kinds["t"])
        numeric.append(good)
        plain = (cell for cell, k in zip(cells, kind, strict=True) if k == "n")
        decimals.append(decimal_of(plain, decimal) if good else decimal)
    return numeric, decimals


def _at(items: Sequence[str], index: int) -> str:
    return items[index] if index < len(items) else ""
