"""One line to cells: separators, quotes, escapes; and what looks broken about them."""

import re
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Cells:
    """Cells of one line. `stray`: a quote where none belongs; `open`: a quote never closed."""

    cells: list[str]
    stray: bool = False
    open: bool = False


def split_cells(line: str, separator: str, quote: str = '"', escape: bool = False) -> Cells:
    """Split one line. Blank separators (one or two blanks) take runs of blanks as one."""
    if separator in (" ", "  "):
        line = blanks_to_tabs(line, separator, quote)
        separator = "\t"
    if quote not in line and not (escape and "\\" in line):
        return Cells(line.split(separator))
    return _split_quoted(line, separator, quote, escape)


def blanks_to_tabs(text: str, separator: str, quote: str) -> str:
    """Runs of blanks outside quotes to one tab, line by line; blanks at the ends are taken off.

    Only text without tabs comes here: a tab is a separator of its own, and two have an empty
    cell between them.
    """
    least = len(separator)
    if quote in text:
        pattern = re.compile(rf"{quote}[^{quote}\n]*{quote}|[ ]{{{least},}}")
        text = pattern.sub(lambda m: m.group() if m.group()[0] == quote else "\t", text)
        return re.sub(r"(?m)^[ \t]+|[ \t]+$", "", text)
    text = re.sub(r"(?m)^[ \t]+|[ \t]+$", "", text)
    return re.sub(rf" {{{least},}}", "\t", text)


def _split_quoted(line: str, separator: str, quote: str, escape: bool) -> Cells:
    cells: list[str] = []
    stray = False
    place, size = 0, len(line)
    while True:
        start = place
        while start < size and line[start] == " ":
            start += 1
        if start < size and line[start] == quote:
            cell, place, closed = _quoted_cell(line, start + 1, quote, escape)
            if not closed:
                cells.append(cell)
                return Cells(cells, stray, True)
            end = line.find(separator, place)
            end = size if end < 0 else end
            rest = line[place:end]
            if rest.strip():
                stray = True
                cell += rest
            cells.append(cell)
        else:
            end = line.find(separator, place)
            end = size if end < 0 else end
            cell = line[place:end]
            stray = stray or quote in cell
            cells.append(cell)
        if end >= size:
            return Cells(cells, stray)
        place = end + len(separator)


def _quoted_cell(line: str, place: int, quote: str, escape: bool) -> tuple[str, int, bool]:
    parts: list[str] = []
    begin = place
    while True:
        end = line.find(quote, begin)
        # A back slash stands for the next character where that is a quote or another one.
        slash = line.find("\\", begin, end if end >= 0 else None) if escape else -1
        while slash >= 0 and line[slash + 1 : slash + 2] not in ("\\", quote):
            slash = line.find("\\", slash + 1, end if end >= 0 else None)
        if slash >= 0:
            parts.append(line[begin:slash] + line[slash + 1])
            begin = slash + 2
        elif end < 0:
            return "".join(parts) + line[begin:], len(line), False
        elif line[end + 1 : end + 2] == quote:
            parts.append(line[begin : end + 1])
            begin = end + 2
        else:
            return "".join(parts) + line[begin:end], end + 1, True
