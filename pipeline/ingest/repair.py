"""The repair path: part the lines of a damaged or unusual log without a guess.

A row is kept when its fields can be assigned to columns without a guess. What is no row
(comment, marker, blank, unit, repeated header) is told apart from what is a broken row.
"""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from pipeline.ingest.cells import split_cells
from pipeline.ingest.dialect import Layout, is_data, is_unit_row, kind_of, text_share
from pipeline.ingest.lines import (
    Bools,
    Counts,
    Ints,
    Lines,
    Shares,
    count_per_line,
    first_bytes,
    letters_share,
)
from pipeline.ingest.text import MAX_LINE_BYTES
from pipeline.ingest.words import recognised

ALL_SHORT_SHARE = 0.98
"""Rows all shorter than their header have lost the last columns; a few may be cut further."""

ALL_SHORT_ROWS = 5
"""A few short rows may be damage; from five on equal lengths are the log's own."""

HEADER_LETTERS = 0.25
"""Share of letters from which a line may be a header: names are mostly letters, rows are not."""

_WORD = re.compile(r"[^\W\d_]{2}|%")

JOIN_LINES = 20
"""A quoted cell with line ends in it goes on for at most so many lines."""


Head = tuple[int, tuple[str, ...], int, tuple[str, ...]]
"""A header: line, names, lines up to its unit row, units."""


@dataclass(slots=True)
class Odd:
    """What one line turned out to be."""

    kind: str
    cells: list[str] = field(default_factory=list)
    text: str = ""


@dataclass(slots=True)
class Stretch:
    """The rows under one header: `plain` lines split at every separator, `rows` are split."""

    header_line: int
    names: tuple[str, ...]
    unit_line: int = 0
    units: tuple[str, ...] = ()
    width: int = 0
    plain: Ints = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    rows: list[tuple[int, list[str]]] = field(default_factory=list)
    markers: list[tuple[int, str]] = field(default_factory=list)
    dropped: Counter[str] = field(default_factory=Counter)


def part(
    lines: Lines, layout: Layout, separator: str, *, finished: bool
) -> tuple[list[Stretch], Counter[str]]:
    """Part all lines: stretches with their rows, other lines by kind."""
    other: Counter[str] = Counter()
    size = len(lines)
    _count_preamble(lines, layout, other)
    separators = count_per_line(lines, ord(separator))
    flagged = np.zeros(size, dtype=bool)
    if layout.quote.encode() in lines.data:
        flagged |= count_per_line(lines, ord(layout.quote)) > 0
    if b"\0" in lines.data:
        flagged |= count_per_line(lines, 0) > 0
    if layout.escape:
        flagged |= count_per_line(lines, ord("\\")) > 0
    letters = letters_share(lines)
    headers = _headers(lines, layout, separator, letters)
    last = size if finished else size - 1
    stretches: list[Stretch] = []
    bounds = [*headers, (size, (), 0, ())]
    full = _full_somewhere(bounds, separators)
    for (line, names, skip, units), following in pairwise(bounds):
        begin = line + 1 + skip
        end = min(following[0], last)
        unit_line = line + 1 + skip if units else 0
        stretch = Stretch(line + 1, names, unit_line, units)
        other["header"] += 1
        other["unit" if units else "preamble"] += bool(skip)
        other["preamble"] += max(skip - 1, 0)
        indices = np.arange(begin, max(end, begin), dtype=np.int64)
        view = _View(lines, separators, flagged, letters, layout, separator)
        _fill(view, stretch, indices, other, may_be_short=names not in full)
        stretches.append(stretch)
    if not finished and size:
        _last_line(lines, stretches, layout, other)
    return stretches, other


@dataclass(frozen=True, slots=True)
class _View:
    """The lines and what is known of each."""

    lines: Lines
    separators: Counts
    flagged: Bools
    letters: Shares
    layout: Layout
    separator: str


def _full_somewhere(bounds: Sequence[Head], separators: Counts) -> set[tuple[str, ...]]:
    """Headers under which a row of full width stands somewhere: there short rows are damage."""
    full: set[tuple[str, ...]] = set()
    for (line, names, skip, _), following in pairwise(bounds):
        if (separators[line + 1 + skip : following[0]] + 1 >= len(names)).any():
            full.add(names)
    return full


def _count_preamble(lines: Lines, layout: Layout, other: Counter[str]) -> None:
    for index in range(min(layout.header, len(lines))):
        other["preamble" if lines.text(index).strip("\0 \t") else "blank"] += 1


def _last_line(lines: Lines, stretches: list[Stretch], layout: Layout, other: Counter[str]) -> None:
    index = len(lines) - 1
    if not stretches or index < stretches[-1].header_line:
        return
    text = lines.text(index)
    if not text.strip("\0 \t"):
        other["nul_block" if "\0" in text else "blank"] += 1
        return
    if _is_comment(text, layout):
        stretches[-1].markers.append((index + 1, _comment_text(text)))
        other["comment"] += 1
        return
    stretches[-1].dropped["unfinished_last_line"] += 1


def _headers(lines: Lines, layout: Layout, separator: str, letters: Shares) -> list[Head]:
    """Every header: line, names, lines up to its unit row, units."""
    skip = layout.first_data - layout.header - 1
    found: list[Head] = [(layout.header, layout.names, skip, layout.units)]
    known = {name.strip() for name in layout.names}
    named = sum(recognised(name) for name in layout.names)
    first = first_bytes(lines)
    typical = (
        float(np.median(letters[layout.first_data :])) if len(lines) > layout.first_data else 0.0
    )
    suspects = np.flatnonzero(letters > max(HEADER_LETTERS, typical + 0.2))
    if len(layout.names) and layout.names[0][:1].isalpha():
        initial = layout.names[0].encode()[0]
        same = np.flatnonzero(first == initial)
        suspects = np.union1d(suspects, same) if len(same) < 0.2 * len(lines) + 50 else suspects
    after = 0
    for index in suspects.tolist():
        if index < layout.first_data or index < after:
            continue
        cells = split_cells(lines.text(int(index)).strip("\0"), separator, layout.quote,
                            layout.escape)  # fmt: skip
        names = tuple(cells.cells)
        while names and not names[-1].strip():
            names = names[:-1]
        if cells.open or cells.stray or not _is_header(names, known, named):
            continue
        names = _mended(names, found, lines, int(index), separator)
        units, skip = _units_after(lines, int(index), separator, layout)
        found.append((int(index), names, skip, units))
        known |= {name.strip() for name in names}
        after = index + 1 + skip
    return found


def _is_header(names: Sequence[str], known: set[str], named: int) -> bool:
    filled = [name.strip() for name in names if name.strip()]
    if not filled or text_share(filled) < 0.6:
        return False
    seen = sum(name in known for name in filled)
    if len(known) == 1:
        return seen == 1 and len(filled) == 1
    if len(filled) < 2:
        return False
    if seen >= 0.5 * len(filled) and seen >= 2:
        return True
    channels = sum(recognised(name) for name in filled)
    return channels >= 2 and channels >= 0.5 * len(filled) and channels >= 0.3 * named


def _mended(
    names: tuple[str, ...], found: Sequence[Head], lines: Lines, index: int, separator: str
) -> tuple[str, ...]:
    """A header cut short that begins like an earlier one, over rows of that one's width."""
    for _, earlier, _, _ in reversed(found):
        same = names[:-1] == earlier[: len(names) - 1] and len(names) < len(earlier)
        if same and earlier[len(names) - 1].startswith(names[-1]):
            following = [lines.text(i) for i in range(index + 1, min(index + 6, len(lines)))]
            if any(line.count(separator) == len(earlier) - 1 for line in following):
                return earlier
    return names


def _units_after(
    lines: Lines, header: int, separator: str, layout: Layout
) -> tuple[tuple[str, ...], int]:
    for step in (1, 2):
        index = header + step
        if index >= len(lines):
            break
        cells = split_cells(lines.text(index), separator, layout.quote, layout.escape).cells
        if is_unit_row(cells):
            return tuple(cell.strip() for cell in cells), step
        if is_data(cells):
            break
    return (), 0


def _fill(
    view: _View, stretch: Stretch, indices: Ints, other: Counter[str], *, may_be_short: bool
) -> None:
    lines, layout, separator = view.lines, view.layout, view.separator
    separators, flagged, letters = view.separators, view.flagged, view.letters
    count = len(stretch.names)
    if not len(indices):
        stretch.width = count
        return
    first = first_bytes(lines)[indices]
    cells = separators[indices] + 1
    comment = np.isin(first, [ord(c) for c in "#%!*/" if c != separator])
    odd = flagged[indices] | comment | (lines.end[indices] == lines.start[indices])
    odd |= letters[indices] > max(0.5, float(np.median(letters[indices])) + 0.3)
    odd |= (lines.end - lines.start)[indices] > MAX_LINE_BYTES
    candidates = cells[~odd]
    split = {}
    if flagged[indices].mean() > 0.5 or not len(candidates):
        split = {int(i): split_cells(lines.text(int(i)), separator, layout.quote, layout.escape)
                 for i in indices[odd & flagged[indices]]}  # fmt: skip
        candidates = np.concatenate((candidates, [len(c.cells) for c in split.values()]))
    width = _width(candidates.astype(np.int64), count, may_be_short=may_be_short)
    stretch.width = width
    plain = ~odd & (cells == width)
    if width > count:
        plain &= _empty_tail(lines, indices, width - count, separator)
    stretch.plain = indices[plain]
    rest = indices[~plain]
    skip_to = -1
    for raw_index in rest:
        index = int(raw_index)
        if index < skip_to:
            continue
        if lines.end[index] - lines.start[index] > MAX_LINE_BYTES:
            stretch.dropped["too_long_line"] += 1
            continue
        text = lines.text(index)
        found = split.get(index) or split_cells(text, separator, layout.quote, layout.escape)
        if found.open and (joined := _joined(lines, index, width, separator, layout)):
            cell_list, skip_to = joined
            stretch.rows.append((index, cell_list))
            stretch.plain = stretch.plain[(stretch.plain < index) | (stretch.plain >= skip_to)]
            other["continued"] += skip_to - index - 1
            continue
        odd_line = _judge(text, found.cells, found.stray or found.open, width, count, layout)
        if odd_line.kind == "row":
            stretch.rows.append((index, odd_line.cells))
        elif odd_line.kind in ("marker", "comment"):
            stretch.markers.append((index + 1, odd_line.text))
            other[odd_line.kind] += 1
        elif odd_line.kind in ("blank", "unit", "nul_block"):
            other[odd_line.kind] += 1
        else:
            stretch.dropped[odd_line.kind] += 1


def _width(cells: Ints, count: int, *, may_be_short: bool) -> int:
    """Cells of a usual row of the stretch; `count` where rows may be longer but need not."""
    if not len(cells):
        return count
    numbers, times = np.unique(cells, return_counts=True)
    width = int(numbers[np.argmax(times)])
    if width < count and (len(cells) < ALL_SHORT_ROWS or not may_be_short):
        return count
    if width < count and (times.max() < ALL_SHORT_SHARE * len(cells) or numbers.max() > width):
        return count
    if width > count and count in numbers and times.max() < 0.5 * len(cells):
        return count
    return width


def _empty_tail(lines: Lines, indices: Ints, surplus: int, separator: str) -> Bools:
    """Whether lines end in `surplus` empty cells."""
    good = np.ones(len(indices), dtype=bool)
    buffer = np.frombuffer(lines.data, dtype=np.uint8)
    for step in range(1, surplus + 1):
        places = lines.end[indices] - step
        good &= (places >= lines.start[indices]) & (buffer[np.maximum(places, 0)] == ord(separator))
    return good


def _joined(
    lines: Lines, index: int, width: int, separator: str, layout: Layout
) -> tuple[list[str], int] | None:
    """A quoted cell that holds line ends: lines put together give exactly one row."""
    text = lines.text(index)
    for following in range(index + 1, min(index + JOIN_LINES, len(lines))):
        alone = split_cells(lines.text(following), separator, layout.quote, layout.escape)
        if len(alone.cells) == width and not alone.stray and not alone.open:
            return None
        text += "\n" + lines.text(following)
        found = split_cells(text, separator, layout.quote, layout.escape)
        if not found.open:
            good = len(found.cells) == width and not found.stray
            inner = [cell for cell in found.cells if "\n" in cell]
            if good and all(separator not in cell for cell in inner):
                return found.cells, following + 1
            return None
    return None


def _is_comment(text: str, layout: Layout) -> bool:
    separator = layout.separator
    used = (separator, layout.quote)
    marks = [mark for mark in ("#", "%", "!", "*", "//", "--", ";", "'") if mark not in used]
    start = text.lstrip("\0 \t")
    return (
        start.startswith(tuple(marks))
        and not re.match(r"--?\d", start)
        and (kind_of(start.split(separator)[0]) not in "m")
    )


def _comment_text(text: str) -> str:
    return text.replace("\0", "").strip().lstrip("#%!*/-;' \t").strip()[:200]


def _judge(text: str, cells: list[str], stray: bool, width: int, count: int, layout: Layout) -> Odd:
    if not text.strip("\0 \t"):
        return Odd("nul_block" if "\0" in text else "blank")
    if "\0" in text:
        return Odd("nul_bytes")
    if _is_comment(text, layout):
        return Odd("comment", text=_comment_text(text))
    if not any(cell.strip() for cell in cells):
        return Odd("blank")
    if not _WORD.search(text):
        # No two letters together: no marker and no unit row; most broken rows are of this kind.
        return _row(cells, stray, width, count, layout)
    filled = [cell.strip() for cell in cells if cell.strip()]
    marker = _marker(filled, len(cells), width)
    if marker:
        return Odd("marker", text=marker)
    if is_unit_row(cells):
        return Odd("unit")
    return _row(cells, stray, width, count, layout)


def _row(cells: list[str], stray: bool, width: int, count: int, layout: Layout) -> Odd:
    """A row that can be assigned to columns, or why it cannot."""
    if stray and not _inner_quote(cells, layout.quote):
        return Odd("stray_quote")
    if len(cells) < width:
        return Odd("short_row")
    if any(cell.strip() for cell in cells[count:]):
        return Odd("long_row")
    return Odd("row", cells=cells[:count])


def _inner_quote(cells: Sequence[str], quote: str) -> bool:
    """Quotes only inside words (`3/4" hose`): text, not damage."""
    return all(
        quote not in cell or re.search(rf"\w\s*{quote}\s*\w*[A-Za-z]{{2}}", cell) for cell in cells
    )


def _marker(filled: Sequence[str], cells: int, width: int) -> str:
    """The text of a marker row: words, with at most a clock reading beside them."""
    words = [cell for cell in filled if kind_of(cell) == "x" and re.search(r"[^\W\d_]{2}", cell)]
    numbers = [cell for cell in filled if kind_of(cell) in "nt"]
    few = len(words) + min(len(numbers), 1) >= len(filled) and len(filled) <= 3
    if words and few and (cells < max(width, 2) or len(filled) < width or width <= 2):
        return " ".join(filled)[:200]
    return ""
