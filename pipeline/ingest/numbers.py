"""Cells to numbers: decimal marks, thousands marks, units written in cells, words for nothing."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

MISSING = frozenset(
    [
        "",
        "nan",
        "n/a",
        "na",
        "n.a.",
        "#n/a",
        "#na",
        "-",
        "--",
        "---",
        "----",
        "–",
        "—",
        "null",
        "nil",
        "none",
        "(null)",
        "<null>",
        "\\n",
        "?",
        "??",
        "???",
        "*",
        "**",
        "***",
        "1.#qnan",
        "-1.#qnan",
        "1.#ind",
        "-1.#ind",
        "1.#inf",
        "-1.#inf",
        "1.#snan",
        "1.#j",
        "-nan",
        "-nan(ind)",
        "nan(ind)",
        "+nan",
        "#num!",
        "#value!",
        "#div/0!",
        "#ref!",
        "inf",
        "-inf",
        "+inf",
        "infinity",
        "-infinity",
        "missing",
        "empty",
        "no data",
        "nodata",
        "invalid",
        "unavailable",
        "not available",
        "off-line",
        "offline",
        ".",
        "_",
        "__",
        "n.v.",
        "k.a.",
        "s/o",
        "nd",
        "n.d.",
        "undef",
        "undefined",
        "err",
        "error",
        "#error",
    ]
)
"""Ways to write that there is no value, lower case (common practice)."""

_SIGN = r"[-+−]?"
_EXP = r"(?:[eE][-+]?\d{1,3})?"
_PLAIN_DOT = re.compile(rf"{_SIGN}(?:\d+\.?\d*|\.\d+){_EXP}")
_PLAIN_COMMA = re.compile(rf"{_SIGN}(?:\d+,?\d*|,\d+){_EXP}")
_GROUP_MARKS = "'’ \u00a0\u202f\u2009"
_GROUPED_DOT = re.compile(
    rf"{_SIGN}\d{{1,3}}(?:([,{_GROUP_MARKS}])\d{{3}})(?:\1\d{{3}})*(?:\.\d*)?"
)
_GROUPED_COMMA = re.compile(
    rf"{_SIGN}\d{{1,3}}(?:([.{_GROUP_MARKS}])\d{{3}})(?:\1\d{{3}})*(?:,\d*)?"
)
_WITH_UNIT = re.compile(rf"({_SIGN}[\d.,{_GROUP_MARKS}]*\d[.,]?{_EXP})\s*([^\d\s.,+\-−].{{0,11}})")
_LOOKS_NUMBER = re.compile(rf"{_SIGN}[\d.,{_GROUP_MARKS}]*\d[\d.,]*{_EXP}")


def is_missing(cell: str) -> bool:
    """Whether the cell says that there is no value."""
    return cell.strip().lower() in MISSING


def parse_number(cell: str, decimal: str) -> float | None:
    """One stripped cell to a number under a decimal mark; None where it is none."""
    if decimal == ",":
        if _PLAIN_COMMA.fullmatch(cell):
            return _float(cell.replace(",", "."))
        match = _GROUPED_COMMA.fullmatch(cell)
        if match:
            return _float(cell.replace(match.group(1), "").replace(",", "."))
        return None
    if _PLAIN_DOT.fullmatch(cell):
        return _float(cell)
    match = _GROUPED_DOT.fullmatch(cell)
    return _float(cell.replace(match.group(1), "")) if match else None


def _float(text: str) -> float | None:
    value = float(text.replace("−", "-"))
    return value if np.isfinite(value) else None


def split_unit(cell: str) -> tuple[str, str] | None:
    """A cell like `82C` or `24,77 g/s` to its number and unit."""
    match = _WITH_UNIT.fullmatch(cell)
    return (match.group(1), match.group(2).strip()) if match else None


def looks_numeric(cell: str) -> bool:
    """Whether a stripped cell is a number under some decimal mark, bare of a unit."""
    return _LOOKS_NUMBER.fullmatch(cell) is not None


def decimal_of(cells: Iterable[str], fallback: str) -> str:
    """Find the decimal mark of cells of one column, `fallback` where they do not tell."""
    votes: Counter[str] = Counter()
    doubtful: list[str] = []
    heads: list[int] = []
    hundreds = False
    for raw in cells:
        cell = raw.strip()
        pair = split_unit(cell)
        if pair:
            cell = pair[0]
        dot, comma = cell.rfind("."), cell.rfind(",")
        if dot < 0 and comma < 0:
            hundreds = hundreds or (len(cell) == 3 and cell.isdecimal() and cell[0] != "0")
            continue
        mark = "." if dot > comma else ","
        other = "," if mark == "." else "."
        if other in cell:
            votes[mark] += 3 if cell.count(mark) == 1 else 0
            continue
        if cell.count(mark) > 1:
            votes[other] += 1
            continue
        head, _, tail = cell.lstrip("+-−").partition(mark)
        digits = re.match(r"\d*", tail)
        if digits is None or digits.end() != 3 or len(head) > 3 or head in ("", "0", "00", "000"):
            votes[mark] += 1
        else:
            doubtful.append(mark)
            heads.append(int(head) if head.isdecimal() else 0)
    if votes:
        return max(sorted(votes), key=lambda mark: votes[mark])
    if doubtful and len(set(doubtful)) == 1:
        if hundreds and max(heads) < 100:
            # `904` and `1.159` in one column: decimals would stand behind 904 too, and no reading
            # jumps from 904 to 1.2 with nothing between.
            return "," if doubtful[0] == "." else "."
        # `1.234` or `1,234` only: three decimals are the rule in logs, and a column that groups
        # thousands would show values below 1,000 without the mark sooner or later.
        return doubtful[0] if fallback == doubtful[0] or fallback == "" else fallback
    return fallback or "."


@dataclass(frozen=True, slots=True)
class Numeric:
    """A column as numbers; `unreadable` marks cells that hold something else."""

    values: pl.Series
    unreadable: np.ndarray[tuple[int], np.dtype[np.bool_]]
    unit: str
    decimal: str


def to_numbers(column: pl.Series, *, decimal: str) -> Numeric:
    """A string column to floats; missing words become null, anything else is marked."""
    text = column.str.strip_chars()
    size = len(text)
    if decimal == ",":
        plain = text.str.contains(r"^[-+]?(\d+,?\d*|,\d+)([eE][-+]?\d{1,3})?$")
        fast = (
            pl.select(
                pl.when(plain.fill_null(False)).then(text.str.replace(",", ".", literal=True))
            )
            .to_series()
            .cast(pl.Float64, strict=False)
        )
    else:
        fast = text.cast(pl.Float64, strict=False)
    fast = fast.set(fast.is_nan() | fast.is_infinite(), None)
    rest = fast.is_null() & text.is_not_null() & (text != "")
    unreadable = np.zeros(size, dtype=bool)
    unit = ""
    if not rest.any():
        return Numeric(fast, unreadable, unit, decimal)
    unique = text.filter(rest).unique(maintain_order=True).to_list()
    values, units = _parse_all(unique, decimal)
    if units:
        unit = max(sorted(units), key=lambda u: units[u])
    table = pl.DataFrame(
        {
            "cell": unique,
            "value": values,
            "bad": [v is None and not is_missing(c) for c, v in zip(unique, values, strict=True)],
        },
        schema={"cell": pl.String, "value": pl.Float64, "bad": pl.Boolean},
    )
    joined = pl.DataFrame({"cell": text}).join(table, on="cell", how="left", maintain_order="left")
    merged = pl.select(pl.when(rest).then(joined["value"]).otherwise(fast)).to_series()
    unreadable = (joined["bad"].fill_null(False) & rest).to_numpy().astype(bool)
    return Numeric(merged, unreadable, unit, decimal)


def _parse_all(cells: Sequence[str], decimal: str) -> tuple[list[float | None], Counter[str]]:
    values: list[float | None] = []
    units: Counter[str] = Counter()
    pairs: list[tuple[int, str, str]] = []
    for index, cell in enumerate(cells):
        value = None if is_missing(cell) else parse_number(cell, decimal)
        values.append(value)
        if value is None and not is_missing(cell):
            pair = split_unit(cell)
            if pair:
                pairs.append((index, *pair))
                units[pair[1]] += 1
    if units:
        # One unit per column: a stray letter in one cell is damage, not a unit.
        unit = max(sorted(units), key=lambda u: units[u])
        plain = sum(v is not None for v in values)
        if units[unit] >= max(2, 0.5 * (plain + len(pairs))):
            for index, number, cell_unit in pairs:
                if cell_unit == unit:
                    values[index] = parse_number(number, decimal)
            return values, Counter({unit: units[unit]})
    return values, Counter()
