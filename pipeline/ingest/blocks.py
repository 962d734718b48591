"""Clean text through polars' own reader, block by block; each column comes back in one piece."""

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
import polars as pl

from pipeline.ingest.lines import count_bytes

BLOCK_BYTES = 1 << 23
"""Of text read in one go: large enough for polars to pay, small beside a large file."""

WHOLE_BYTES = 1 << 26
"""Text up to here is read as it lies: two hours of an ordinary log."""


def cut(data: bytes) -> Iterator[bytes]:
    """The text, in blocks of whole lines where it is more than WHOLE_BYTES."""
    if len(data) <= WHOLE_BYTES:
        yield data
        return
    start = 0
    while start < len(data):
        end = data.find(b"\n", start + BLOCK_BYTES) + 1 or len(data)
        yield data[start:end]
        start = end


def parsed(
    blocks: Iterable[bytes], rows: int, separator: str, numeric: Sequence[bool], decimal: str,
    skip: int = 0,
) -> list[pl.Series] | None:  # fmt: skip
    """Columns of ``rows`` lines without a header; None where polars reads no number, or others.

    numeric: for each column whether it holds numbers; the others stay text. skip: lines left out
    at the head. Of several blocks a missing number is NaN, of one it is null.

    Many small pieces of each column, put together afterwards, would take the room of all columns
    twice: what a piece leaves lies between those of other columns and is of no use to anyone.
    """
    numbers = [np.empty(rows) if number else None for number in numeric]
    words: list[list[pl.Series]] = [[] for _ in numeric]
    at = 0
    for block in blocks:
        frame, skip = _read(block, separator, numeric, decimal, skip), 0
        if frame is None or at + frame.height > rows:
            return None
        if frame.height == rows:
            return frame.get_columns()
        for series, column, texts in zip(frame.get_columns(), numbers, words, strict=True):
            if column is None:
                texts.append(series)
            else:
                column[at : at + frame.height] = series.to_numpy()
        at += frame.height
    if at != rows:
        return None
    columns: list[pl.Series] = []
    for index, column in enumerate(numbers):
        name = f"c{index}"
        columns.append(pl.concat(words[index]) if column is None else pl.Series(name, column))
        numbers[index] = column = None  # one column at most is held twice
    return columns


def _read(
    raw: bytes, separator: str, numeric: Sequence[bool], decimal: str, skip: int
) -> pl.DataFrame | None:
    schema = {f"c{i}": pl.Float64 if number else pl.String for i, number in enumerate(numeric)}
    try:
        frame = pl.read_csv(
            raw, has_header=False, separator=separator, quote_char=None,
            schema=schema, decimal_comma=decimal == ",", skip_lines=skip,
        )  # fmt: skip
    except (pl.exceptions.PolarsError, ValueError):
        return None
    return None if decimal == "," and _points(raw, frame, skip) else frame


def _points(raw: bytes, frame: pl.DataFrame, skip: int) -> bool:
    """Whether a number holds a point, which polars takes for a decimal one beside commas.

    There it groups thousands: `1.159` rpm in a log of decimal commas is 1159.
    """
    start = 0
    for _ in range(skip):
        start = raw.find(b"\n", start) + 1
    points = count_bytes(raw, ord("."), start)
    texts = [pl.col(c).str.count_matches(".", literal=True).sum() for c in frame.columns
             if frame.schema[c] == pl.String]  # fmt: skip
    return points > (sum(frame.select(texts).row(0)) if texts and points else 0)
