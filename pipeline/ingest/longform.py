"""Long format (time, signal, value) made wide: one column per signal."""

from collections import Counter

import numpy as np
import polars as pl

from pipeline.ingest.numbers import to_numbers
from pipeline.ingest.table import Column, Section
from pipeline.ingest.words import is_clock_name, recognised

MAX_SIGNALS = 1000
"""More names than columns a log may have are no signals."""


def widen(section: Section, other: Counter[str]) -> Section:
    """A section in long format to wide; any other section as it is.

    Rows of one stamp that follow each other become one row; the lines merged into it are
    counted as lines, not as dropped rows.
    """
    found = _columns(section)
    if found is None:
        return section
    clock, names, values, unit = found
    frame = pl.DataFrame({
        "clock": section.columns[clock].values,
        "name": section.columns[names].values.cast(pl.String),
        "value": section.columns[values].values.cast(pl.String, strict=False),
        "line": section.line,
    }).filter(pl.col("name").is_not_null())  # fmt: skip
    if section.columns[values].numeric:
        frame = frame.with_columns(number=section.columns[values].values.filter(
            section.columns[names].values.is_not_null()))  # fmt: skip
    changed = (frame["clock"] != frame["clock"].shift(1)).fill_null(True)
    frame = frame.with_columns(row=changed.cast(pl.Int64).cum_sum())
    # A signal that comes twice under one stamp needs a row of its own.
    again = pl.int_range(pl.len()).over("row", "name")
    frame = frame.with_columns(again=again).sort("row", "again", "line")
    key = frame.select(pl.struct("row", "again").rle_id().alias("key"))["key"]
    frame = frame.with_columns(key=key)
    signals = frame["name"].unique(maintain_order=True).to_list()
    index = frame.group_by("key", maintain_order=True).agg(
        pl.col("clock").first(), pl.col("line").max())  # fmt: skip
    old = section.columns[clock]
    columns = [Column(old.header, old.unit_cell, index["clock"], None, old.cell_unit, old.decimal)]
    units = section.columns[unit].values if unit is not None else None
    for signal in signals:
        chosen = frame.filter(pl.col("name") == signal)
        if "number" in frame.columns:
            series, bad = chosen["number"], None
        else:
            numbers = to_numbers(chosen["value"], decimal=section.columns[values].decimal)
            series, bad = numbers.values, numbers.unreadable
        wide = np.full(len(index), np.nan)
        places = chosen["key"].to_numpy()
        wide[places] = series.fill_null(np.nan).to_numpy()
        marks = None
        if bad is not None and bad.any():
            marks = np.zeros(len(index), dtype=bool)
            marks[places] = bad
        cell_unit = ""
        if units is not None:
            mine = units.filter(section.columns[names].values == signal).drop_nulls()
            cell_unit = str(mine[0]) if len(mine) else ""
        columns.append(Column(signal, cell_unit, pl.Series(wide).fill_nan(None), marks))
    other["merged"] += len(section.line) - len(index)
    return Section(
        section.header_line,
        section.unit_line,
        columns,
        index["line"].to_numpy().astype(np.int64),
        section.markers,
        section.dropped,
    )


def _columns(section: Section) -> tuple[int, int, int, int | None] | None:
    """Places of clock, signal name, value and unit; None where this is no long format."""
    columns = section.columns
    if not 3 <= len(columns) <= 5:
        return None
    clocks = [i for i, c in enumerate(columns) if is_clock_name(c.header)]
    texts = [i for i, c in enumerate(columns) if not c.numeric and i not in clocks]
    numbers = [i for i, c in enumerate(columns) if c.numeric and i not in clocks]
    if not clocks or not texts or len(numbers) != 1:
        return None
    for index in texts:
        names = columns[index].values.drop_nulls()
        unique = names.unique(maintain_order=True).to_list()
        if not 1 < len(unique) <= MAX_SIGNALS or len(unique) > 0.5 * max(len(names), 4):
            continue
        known = sum(recognised(str(name)) for name in unique)
        if known >= 2 or known == len(unique):
            unit = next((i for i in texts if i != index), None)
            return clocks[0], index, numbers[0], unit
    return None
