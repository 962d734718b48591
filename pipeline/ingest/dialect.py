"""How a log is laid out: separator, quotes, header, unit rows, decimal mark, from a sample."""

import functools
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.ingest.cells import split_cells
from pipeline.ingest.numbers import decimal_of, is_missing, looks_numeric, split_unit
from pipeline.ingest.units import known_unit
from pipeline.ingest.words import recognised

SAMPLE_BYTES = 262_144
"""Head looked at to find the layout: a header of 1,000 columns is 20 kB, its rows 8 kB each."""

SAMPLE_LINES = 200
HEADER_WITHIN = 120
"""The header is looked for in the first lines: preambles run to 50."""

_CLOCK_LIKE = re.compile(
    r"(?:\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}[T ]*)?\d{1,3}:\d{2}(?::\d{2})?(?:[.,:]\d+)?"
    r"\s*(?:[ap]\.?m\.?)?\s*(?:Z|[+-]\d{2}:?\d{2})?|\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}",
    re.I,
)
_DATE_MARKS = re.compile(r"\d[-/.](?=\d)")
_SEPARATORS = (",", ";", "\t", "|", "  ", " ")


@dataclass(frozen=True, slots=True)
class Layout:
    """Where what stands. Line numbers count from 0; `width` is the cells of a usual row."""

    separator: str
    quote: str
    escape: bool
    decimal: str
    header: int
    names: tuple[str, ...]
    unit_lines: tuple[int, ...]
    units: tuple[str, ...]
    first_data: int
    width: int


#: Cells whose kind is remembered: a log repeats the few it has, and each is asked for often.
REMEMBERED = 8_192


@functools.lru_cache(REMEMBERED)
def kind_of(cell: str) -> str:
    """`n` number, `t` clock or date, `m` nothing, `x` text."""
    text = cell.strip()
    if text.isdecimal() and text.isascii():
        return "n"
    if is_missing(text):
        return "m"
    dated = ":" in text or len(_DATE_MARKS.findall(text)) > 1
    if dated and _CLOCK_LIKE.fullmatch(text):
        return "t"
    if looks_numeric(text):
        return "n"
    pair = split_unit(text)
    return "n" if pair and known_unit(pair[1]) else "x"


def is_data(cells: Sequence[str]) -> bool:
    """Whether a line's cells are mostly numbers and clock readings."""
    kinds = Counter(kind_of(cell) for cell in cells)
    good = kinds["n"] + kinds["t"]
    return good >= 1 and good >= kinds["x"]


def is_unit_row(cells: Sequence[str]) -> bool:
    """Whether a line's cells are units and nothing else."""
    filled = [cell.strip() for cell in cells if cell.strip()]
    units = sum(known_unit(cell.strip("()[]{}")) for cell in filled)
    plain = sum(kind_of(cell) in "nt" for cell in filled)
    return units >= 1 and units >= 0.5 * len(filled) and plain <= 0.3 * len(filled)


def text_share(cells: Sequence[str]) -> float:
    """Share of the filled cells that are text."""
    kinds = [kind_of(cell) for cell in cells if cell.strip()]
    return sum(kind in "xm" for kind in kinds) / len(kinds) if kinds else 0.0


def sample_lines(data: bytes) -> list[str]:
    """The first lines of the text."""
    head = data[:SAMPLE_BYTES]
    lines = head.decode("utf-8", "replace").replace("\0", "").split("\n")
    if (len(data) > len(head) and len(lines) > 1) or (lines and not lines[-1]):
        lines.pop()
    return lines[:SAMPLE_LINES]


def find_layout(lines: Sequence[str]) -> Layout | None:
    """The layout that explains the sample best, None where there is no table."""
    quote, escape = _quotes(lines)
    best: tuple[float, Layout] | None = None
    tabs = sum("\t" in line for line in lines)
    for separator in _SEPARATORS:
        if separator.isspace() and separator != "\t" and tabs:
            # Runs of blanks would swallow tabs, and with them empty cells.
            continue
        if separator != "," and sum(separator in line for line in lines) < 0.3 * len(lines):
            continue
        found = _try(lines, separator, quote, escape)
        if found and (best is None or found[0] > best[0] + 1e-9):
            best = found
    return best[1] if best else None


def _quotes(lines: Sequence[str]) -> tuple[str, bool]:
    text = "\n".join(lines)
    single = len(re.findall(r"(?:^|[,;\t|])\s*'[^'\n]*'\s*(?=$|[,;\t|])", text, re.M))
    double = len(re.findall(r"(?:^|[,;\t|])\s*\"[^\"\n]*\"\s*(?=$|[,;\t|])", text, re.M))
    quote = "'" if single > double else '"'
    return quote, f"\\{quote}" in text


def _try(
    lines: Sequence[str], separator: str, quote: str, escape: bool
) -> tuple[float, Layout] | None:
    rows = [split_cells(line, separator, quote, escape).cells for line in lines]
    data = [bool(line.strip()) and is_data(row) for line, row in zip(lines, rows, strict=True)]
    widths = Counter(len(row) for row, good in zip(rows, data, strict=True) if good)
    if not widths:
        # A header without rows is a table too, so that the reason can say so.
        widths = Counter(len(row) for row in rows if len(row) > 1)
        if not widths:
            return None
    width = max(widths, key=lambda w: (widths[w] * min(w, 4), w))
    used = [row for row, good in zip(rows, data, strict=True) if good and len(row) == width]
    header = _find_header(lines, rows, data, width, used)
    names = rows[header] if header is not None else []
    after = header + 1 if header is not None else 0
    shares = []
    for row in used[:60]:
        kinds = Counter(kind_of(cell) for cell in row)
        shares.append((kinds["n"] + kinds["t"]) / max(kinds["n"] + kinds["t"] + kinds["x"], 1))
    mean_share = sum(shares) / len(shares) if shares else 0.3
    filled = sum(bool(line.strip()) for line in lines[after:]) or 1
    steady = sum(len(row) == width for row in rows[after:]) / max(filled, 1)
    score = mean_share * (0.2 + min(steady, 1.0))
    score *= 1.0 if header is not None else 0.3
    score *= 1.0 if width >= 2 else 0.2
    if separator in (" ", "  "):
        score *= 0.9
    if header is None:
        return score, Layout(separator, quote, escape, ".", -1, (), (), (), 0, width)
    units, unit_lines, first = _unit_rows(rows, data, header)
    cut = _trim(names)
    layout = Layout(separator, quote, escape, ".", header, tuple(names[:cut]), unit_lines,
                    tuple(units), first, width)  # fmt: skip
    return score, replace(layout, decimal=_decimal(used, cut))


def _trim(names: Sequence[str]) -> int:
    """Number of names without the empty ones at the end."""
    count = len(names)
    while count and not names[count - 1].strip():
        count -= 1
    return count


def _find_header(
    lines: Sequence[str],
    rows: Sequence[Sequence[str]],
    data: Sequence[bool],
    width: int,
    used: Sequence[Sequence[str]],
) -> int | None:
    best: tuple[tuple[float, ...], int] | None = None
    for index in range(min(len(lines), HEADER_WITHIN)):
        row = rows[index]
        cut = _trim(row)
        if not cut or (cut < 2 and width > 1) or text_share(row) < 0.6:
            continue
        if sum(1 for cell in row[:cut] if cell.strip()) < 0.5 * cut or _is_comment(lines[index]):
            continue
        known = sum(recognised(_uncomment(cell)) for cell in row[:cut])
        if is_unit_row(row) and known < 0.5 * cut:
            continue
        fits = cut == width or (
            cut < width and all(not any(c.strip() for c in r[cut:]) for r in used[:50])
        )
        follows = any(data[index + 1 : index + 6])
        rank = (
            float(fits and known > 0),
            float(cut >= width and known > 0),
            known / (1 + 0.05 * cut) if width > 1 else known,
            float(fits),
            float(follows),
        )
        if (known or (fits and follows)) and (best is None or rank > best[0]):
            best = rank, index
    return best[1] if best else None


def _is_comment(line: str) -> bool:
    text = line.lstrip()
    # A header may be commented out: then it holds names that fit; a comment has one cell.
    return text.startswith(("//", "--"))


def _uncomment(cell: str) -> str:
    return cell.lstrip("#% ")


def _unit_rows(
    rows: Sequence[Sequence[str]], data: Sequence[bool], header: int
) -> tuple[list[str], tuple[int, ...], int]:
    units: list[str] = []
    found: list[int] = []
    first = header + 1
    for index in range(header + 1, min(header + 5, len(rows))):
        if data[index] and not is_unit_row(rows[index]):
            break
        if is_unit_row(rows[index]):
            units = [cell.strip() for cell in rows[index]]
            found.append(index)
            first = index + 1
            break
        if any(data[index + 1 : index + 4]) and text_share(rows[index]) > 0.6:
            continue
        break
    return units, tuple(found), first


def _decimal(rows: Sequence[Sequence[str]], count: int) -> str:
    votes: Counter[str] = Counter()
    for column in range(count):
        cells = [row[column] for row in rows[:60] if column < len(row)]
        cells = [cell for cell in cells if kind_of(cell) == "n"]
        if any("," in cell or "." in cell for cell in cells):
            votes[decimal_of(cells, "")] += 1
    votes.pop("", None)
    return max(sorted(votes), key=lambda mark: votes[mark]) if votes else "."
