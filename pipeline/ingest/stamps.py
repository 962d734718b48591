"""Clock columns to seconds: what a column of stamps is and what it says."""

import re
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.ingest.numbers import is_missing
from pipeline.ingest.units import pint_name, quantity_of
from pipeline.ingest.words import fold, read_name, split_header

Floats = npt.NDArray[np.float64]

DAY_S = 86400.0
_EPOCH = date(1970, 1, 1).toordinal()
_SPREADSHEET_EPOCH = date(1899, 12, 30).toordinal()
"""Day 0 of spreadsheet serials (ECMA-376 part 1, the 1900 date base; from memory)."""

_TIME = (
    r"(\d{1,4}):(\d{1,2})(?::(\d{1,2}))?(?:[.,:](\d{1,9}))?\s*([AaPp]\.?\s?[Mm]\.?)?"
    r"\s*(Z|z|UTC|GMT|[+-]\d{2}:?\d{2}|[+-]\d{2})?"
)
_DATE = r"(\d{1,4})[-/.](\d{1,2})[-/.](\d{1,4})"
_BOTH = rf"^{_DATE}(?:[T ,;_-]+|\s+)(?:{_TIME})$"
_ONLY_TIME = rf"^(?:{_TIME})$"
_ONLY_DATE = rf"^{_DATE}$"
_COMPACT = r"^(\d{4})(\d{2})(\d{2})[T _-]?(\d{2})(\d{2})(\d{2})(?:[.,](\d{1,9}))?(Z)?$"


@dataclass(frozen=True, slots=True)
class Stamps:
    """Seconds per row (NaN where unreadable) and what they count from.

    kind: `datetime` (seconds since 1970, local), `time` (since midnight), `elapsed`, `date`.
    """

    kind: str
    seconds: Floats
    step: float
    utc_offset_s: float | None = None
    twelve_hours: bool = False
    unit: str = "s"
    why: str = ""


def read_stamps(header: str, unit_cell: str, values: pl.Series) -> Stamps | None:
    """Read a column as a clock; None where it is none."""
    if values.dtype == pl.Float64:
        return _numeric(header, unit_cell, values)
    text = values.str.strip_chars().str.strip_chars("\"'")
    head = [cell for cell in text.drop_nulls().head(300).to_list() if not is_missing(cell)]
    if not head:
        return None
    for pattern, reader in ((_BOTH, _read_both), (_ONLY_TIME, _read_time),
                            (_COMPACT, _read_compact), (_ONLY_DATE, _read_date)):  # fmt: skip
        hits = sum(re.match(pattern, cell) is not None for cell in head)
        if hits >= 0.6 * len(head):
            return reader(text, pattern)
    return None


def _groups(text: pl.Series, pattern: str) -> pl.DataFrame:
    return pl.DataFrame({"t": text}).select(pl.col("t").str.extract_groups(pattern)).unnest("t")


def _float(frame: pl.DataFrame, column: str) -> Floats:
    return frame[column].cast(pl.Float64, strict=False).fill_null(np.nan).to_numpy().copy()


def _time_of(frame: pl.DataFrame, first: int) -> tuple[Floats, float, float | None, bool, bool]:
    """Seconds since midnight, smallest step written, offset, 12-hour marks, minutes only."""
    hours, minutes = _float(frame, str(first)), _float(frame, str(first + 1))
    seconds = _float(frame, str(first + 2))
    fraction = frame[str(first + 3)].fill_null("")
    digits = _longest(fraction)
    part = ("0." + fraction).cast(pl.Float64, strict=False).fill_null(0.0).to_numpy()
    half = frame[str(first + 4)].fill_null("").str.to_lowercase()
    marked = bool((half != "").any())
    if marked:
        hours = np.where(hours == 12, 0, hours) + np.where(
            half.str.starts_with("p").to_numpy(), 12, 0
        )
    two_parts = bool(np.isnan(seconds).mean() > 0.5)
    if two_parts and digits:
        # mm:ss.f
        total = hours * 60 + minutes + part
    else:
        total = hours * 3600 + minutes * 60 + np.nan_to_num(seconds) + part
    offset = _offset(frame[str(first + 5)])
    step = 10.0**-digits if digits or not two_parts else 60.0
    return total, step, offset, marked, two_parts and bool(digits)


def _longest(text: pl.Series) -> int:
    return max(text.str.len_chars().unique().to_list(), default=0)


def _offset(column: pl.Series) -> float | None:
    zone = column.drop_nulls()
    if not len(zone):
        return None
    text = str(zone[0]).upper()
    if text in ("Z", "UTC", "GMT"):
        return 0.0
    digits = text[1:].replace(":", "").ljust(4, "0")
    return (-1 if text[0] == "-" else 1) * (int(digits[:2]) * 3600.0 + int(digits[2:4]) * 60.0)


def _days(frame: pl.DataFrame, american: bool) -> Floats | None:
    """Days since 1970 of three date groups; None where the order could be two."""
    a, b, c = (_float(frame, str(i)) for i in (1, 2, 3))
    top = [np.nanmax(x) if np.isfinite(x).any() else 0 for x in (a, b, c)]
    if top[0] > 31:
        year, month, day = a, b, c
    elif top[2] > 31 or top[2] <= 99:
        year = np.where(c < 100, c + 2000, c)
        if top[0] > 12 >= top[1]:
            day, month = a, b
        elif top[1] > 12 >= top[0]:
            month, day = a, b
        elif np.array_equal(a, b):
            day, month = a, b
        elif american:
            month, day = a, b
        else:
            return None
    else:
        return None
    good = (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31) & (year > 1970) & (year < 2200)
    out = np.full(len(year), np.nan)
    if good.any():
        stamped = pl.DataFrame({"y": year[good], "m": month[good], "d": day[good]})
        days = stamped.select(
            pl.date(
                pl.col("y").cast(pl.Int32), pl.col("m").cast(pl.Int8), pl.col("d").cast(pl.Int8)
            ).cast(pl.Int32)
        ).to_series()
        out[good] = days.cast(pl.Float64).fill_null(np.nan).to_numpy()
    return out


def _dotted(text: pl.Series) -> bool:
    head = text.drop_nulls().head(1).to_list()
    return bool(head) and bool(re.match(r"\d{1,2}\.\d{1,2}\.", head[0]))


def _read_both(text: pl.Series, pattern: str) -> Stamps:
    frame = _safe_groups(text, pattern)
    seconds, step, offset, marked, _ = _time_of(frame, 4)
    # Dots part day, month and year in that order (DIN 1355-1, from memory).
    days = _day_first(frame) if _dotted(text) else _days(frame, american=marked)
    if days is None:
        return Stamps("time", seconds, step, offset, False, why="the date could be two dates")
    return Stamps("datetime", days * DAY_S + seconds, step, offset)


def _day_first(frame: pl.DataFrame) -> Floats | None:
    return _days(frame.select(pl.col("2").alias("1"), pl.col("1").alias("2"), pl.col("3")), True)


def _safe_groups(text: pl.Series, pattern: str) -> pl.DataFrame:
    return _groups(text, pattern)


def _read_time(text: pl.Series, pattern: str) -> Stamps:
    seconds, step, offset, marked, minutes = _time_of(_safe_groups(text, pattern), 1)
    if minutes or np.nanmax(np.append(seconds, 0.0)) >= 2 * DAY_S:
        return Stamps("elapsed", seconds, step)
    highest = np.nanmax(np.append(seconds, 0.0))
    return Stamps("time", seconds, step, offset, twelve_hours=not marked and highest < 13 * 3600)


def _read_compact(text: pl.Series, pattern: str) -> Stamps:
    frame = _safe_groups(text, pattern)
    days = _days(frame, american=False)
    clock = [_float(frame, str(i)) for i in (4, 5, 6)]
    digits = _longest(frame["7"].fill_null(""))
    part = ("0." + frame["7"].fill_null("")).cast(pl.Float64, strict=False).fill_null(0.0)
    seconds = clock[0] * 3600 + clock[1] * 60 + clock[2] + part.to_numpy()
    base = days if days is not None else np.full(len(seconds), np.nan)
    offset = 0.0 if frame["8"].drop_nulls().len() else None
    return Stamps("datetime", base * DAY_S + seconds, 10.0**-digits, offset)


def _read_date(text: pl.Series, pattern: str) -> Stamps | None:
    frame = _safe_groups(text, pattern)
    days = _day_first(frame) if _dotted(text) else _days(frame, american=False)
    return None if days is None else Stamps("date", days * DAY_S, DAY_S)


_UNIT_WORDS = {
    "ms": "ms", "millis": "ms", "milliseconds": "ms", "msec": "ms", "millisekunden": "ms",
    "millisecondes": "ms", "milisegundos": "ms", "us": "us", "µs": "us", "micros": "us",
    "microseconds": "us", "mikrosekunden": "us", "s": "s", "sec": "s", "secs": "s",
    "seconds": "s", "sekunden": "s", "secondes": "s", "segundos": "s", "second": "s",
}  # fmt: skip
_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "hour": 3600.0}


def _numeric(header: str, unit_cell: str, values: pl.Series) -> Stamps | None:
    raw = values.fill_null(np.nan).to_numpy().astype(np.float64)
    good = raw[np.isfinite(raw)]
    if not len(good):
        return None
    middle = float(np.median(good))
    stated = _stated_unit(header, unit_cell)
    step = _written_step(good)
    for low, high, scale in ((1e8, 4e9, 1.0), (1e11, 4e12, 1e-3), (1e14, 4e15, 1e-6),
                             (1e17, 4e18, 1e-9)):  # fmt: skip
        # Epoch from 1973 (s) on; a counter that has run for three years is none.
        if low <= middle <= high and (not stated or stated == "s" or _SECONDS[stated] == scale):
            if stated == "ms" and scale == 1.0:
                continue
            if stated == "us" and scale != 1e-6:
                continue
            if scale != 1.0 or middle > 9e8:
                return Stamps("datetime", raw * scale, step * scale, 0.0, unit="s since 1970",
                              why="seconds since 1970 by their size")  # fmt: skip
    steps = np.diff(good)
    forward = steps[steps > 0]
    usual = float(np.median(forward)) if len(forward) else 0.0
    if not stated and 20000 <= middle <= 80000 and 0 < usual < 0.02 and float(np.ptp(good)) < 60:
        base = _SPREADSHEET_EPOCH - _EPOCH
        # A serial carries about a tenth of a millisecond; coarser noise is not the clock's.
        seconds = np.round((raw + base) * DAY_S, 3)
        return Stamps("datetime", seconds, 1e-3, unit="d", why="spreadsheet serial by its size")
    if stated:
        scale = _SECONDS.get(stated, 1.0)
        return Stamps(
            "elapsed", raw * scale, step * scale, unit=stated, why=f"unit {stated} stated"
        )
    whole = bool(np.all(good == np.round(good)))
    if whole and usual >= 2000:
        unit = "us"
    elif whole and usual >= 5:
        unit = "ms"
    else:
        unit = "s"
    scale = _SECONDS[unit]
    return Stamps("elapsed", raw * scale, step * scale, unit=unit,
                  why=f"{unit} by the usual step of {usual:g}")  # fmt: skip


def _stated_unit(header: str, unit_cell: str) -> str:
    text, unit = split_header(header)
    for candidate in (unit, unit_cell):
        if quantity_of(candidate) == "duration":
            return pint_name(candidate)
    for word in re.findall(r"[a-zµ]+", fold(text)) + list(read_name(header).words):
        if word in _UNIT_WORDS:
            return _UNIT_WORDS[word]
    return ""


def _written_step(values: Floats) -> float:
    """Smallest decimal step that the values are written with."""
    sample = values[:: max(1, len(values) // 2000)]
    for digits in range(7):
        if np.allclose(
            sample, np.round(sample, digits), rtol=0, atol=1e-9 * max(1, 10.0 ** (3 - digits))
        ):
            return float(10.0**-digits)
    return 1e-6
