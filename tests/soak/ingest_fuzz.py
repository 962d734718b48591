"""Damaged logs by the thousand: no exception, no hang, every line accounted for, no value moved.

Run `python -m tests.soak.ingest_fuzz [files] [first seed]`. A file is drawn from its seed alone:
a table in a random dialect, whose bytes are then flipped, cut, inserted, doubled or zeroed.
"""

import random
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from pipeline.ingest import Reading, read_log
from pipeline.ingest.reader import FAILED
from pipeline.ingest.text import decode
from pipeline.vehicle import DEFAULT_VEHICLE

COLUMNS = 8
HANG_S = 10.0
"""A small file that takes longer hangs."""


@dataclass(frozen=True)
class Written:
    """A clean log and the values in it: column j of row i holds j * 10000 + i."""

    lines: list[str]
    separator: str
    end: str
    encoding: str
    width: int


def draw_log(rng: random.Random) -> Written:
    """A clean log in a random dialect; every property drawn by itself."""
    separator = rng.choice([",", ";", "\t", "|"])
    end = rng.choice(["\n", "\r\n"])
    encoding = rng.choice(["utf-8", "utf-8", "cp1252", "utf-16-le"])
    width = rng.randint(2, COLUMNS)
    count = rng.randint(3, 60)
    style = rng.choice(["%s (%s)", "%s [%s]", "%s_%s"])
    names = ["Time", "Engine Speed", *(f"Probe {chr(65 + j)}" for j in range(width - 2))]
    units = ["s", "rpm", *("kPa" for _ in range(width - 2))]
    lines = [f"note {i}" for i in range(rng.choice([0, 0, 3]))]
    lines.append(separator.join(style % pair for pair in zip(names, units, strict=True)))
    for i in range(count):
        cells = [f"{0.1 * i:.1f}", str(10000 + i), *(str(10000 * j + i) for j in range(2, width))]
        lines.append(separator.join(cells))
    return Written(lines, separator, end, encoding, width)


def to_bytes(lines: list[str], log: Written) -> bytes:
    """The file's bytes."""
    return (log.end.join(lines) + log.end).encode(log.encoding)


def pollute(log: Written, rng: random.Random) -> list[str]:
    """Lines with separators missing, doubled or blanked, stray quotes, cut rows, more headers."""
    header = next(i for i, line in enumerate(log.lines) if line.startswith("Time"))
    out = list(log.lines[: header + 1])
    for line in log.lines[header + 1 :]:
        if rng.random() > 0.25:
            out.append(line)
            continue
        kind = rng.randrange(7)
        places = [i for i, c in enumerate(line) if c == log.separator]
        place = rng.choice(places)
        if kind == 0:
            out.append(line[:place] + line[place + 1 :])
        elif kind == 1:
            out.append(line[:place] + log.separator + line[place:])
        elif kind == 2:
            out.append(line[:place] + " " + line[place + 1 :])
        elif kind == 3:
            spot = rng.randrange(len(line) + 1)
            out.append(line[:spot] + '"' + line[spot:])
        elif kind == 4:
            out.append(line[: rng.randrange(1, len(line))])
        elif kind == 5:
            out.append(log.lines[header])
            out.append(line)
        else:
            out.extend(["", line])
    return out


def damage(content: bytes, rng: random.Random) -> bytes:
    """Flip, cut, insert, double or zero bytes anywhere."""
    data = bytearray(content)
    for _ in range(rng.choice([1, 1, 2, 5, 20])):
        if not data:
            break
        place = rng.randrange(len(data))
        kind = rng.randrange(7)
        if kind == 0:
            data[place] ^= 1 << rng.randrange(8)
        elif kind == 1:
            del data[place : place + rng.choice([1, 3, 50])]
        elif kind == 2:
            data[place:place] = rng.randbytes(rng.choice([1, 4, 40]))
        elif kind == 3:
            data[place:place] = data[place : place + rng.choice([5, 100])]
        elif kind == 4:
            size = rng.choice([1, 16, 200])
            data[place : place + size] = bytes(min(size, len(data) - place))
        elif kind == 5:
            data[place:place] = rng.choice(
                [b'"', b",", b";", b"\n", b"\r", b"\t", b"-", b"e9", b"NaN"]
            )
        else:
            del data[place:]
    return bytes(data)


def unaccounted(content: bytes, reading: Reading) -> str:
    """What is wrong with the count of lines, empty where nothing is."""
    if reading.status == "set_aside":
        return ""
    text = decode(content).data
    there = text.count(b"\n") + (not text.endswith(b"\n"))
    seen = (
        reading.rows_read + sum(reading.rows_dropped.values()) + sum(reading.lines_other.values())
    )
    return "" if there == seen else f"{there} lines, {seen} accounted for"


def moved(reading: Reading, lines: list[str], separator: str) -> list[str]:
    """Values that do not stand in the log in their own column."""
    cells: dict[int, set[str]] = {}
    for line in lines:
        for j, cell in enumerate(line.split(separator)):
            cells.setdefault(j, set()).add(cell.strip().strip('"'))
    numbers = {j: {float(c) for c in found if _is_number(c)} for j, found in cells.items()}
    wrong = []
    for session in reading.sessions:
        frame = session.frame
        for name in frame.columns:
            if name == "time":
                continue
            j = 1 if name == "engine_speed" else 2 + ord(name.split("Probe ")[-1][0]) - 65
            for value in frame[name].drop_nulls().to_list():
                if value not in numbers.get(j, set()):
                    wrong.append(f"{name}: {value}")
                elif value >= 10000 and int(value // 10000) != j:
                    wrong.append(f"{name}: {value} belongs to another column")
    return wrong


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def changed(reading: Reading, width: int) -> list[str]:
    """Rows whose whole cells do not agree with each other, after damage of bytes.

    In a clean row every cell ends in the same row number; a row of which most cells are clean
    and some differ is looked at by the caller.
    """
    wrong = []
    for session in reading.sessions:
        frame = session.frame
        names = [n for n in frame.columns if n.startswith("other.Probe ") or n == "engine_speed"]
        for row in frame.select(names).iter_rows():
            for name, value in zip(names, row, strict=True):
                j = 1 if name == "engine_speed" else 2 + ord(name.split("Probe ")[-1][0]) - 65
                if value is not None and value in CLEAN and int(value // 10000) != j:
                    wrong.append(f"{name}: {value}")
    del width
    return wrong


CLEAN = {float(10000 * j + i) for j in range(1, COLUMNS) for i in range(60)}


def one(seed: int, folder: Path) -> str:
    """Try one seed; what went wrong, empty where nothing did."""
    rng = random.Random(seed)
    log = draw_log(rng)
    path = folder / "log.csv"
    structural = seed % 3 == 0
    lines = pollute(log, rng) if structural else log.lines
    content = to_bytes(lines, log)
    if not structural:
        content = damage(content, rng)
    path.write_bytes(content)
    begin = time.perf_counter()
    reading = read_log(path, vehicle=DEFAULT_VEHICLE)
    spent = time.perf_counter() - begin
    if spent > HANG_S:
        return f"took {spent:.1f} s"
    problem = unaccounted(content, reading)
    if reading.reason.startswith(FAILED):
        problem = reading.reason
    if structural:
        wrong = moved(reading, lines, log.separator)
        if reading.status == "set_aside" and len(log.lines) > 12:
            problem = problem or f"set aside: {reading.reason}"
        return problem or ("; ".join(wrong[:3]))
    return problem


def main() -> int:
    """Run the soak; print each failure with its seed."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    failures = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for seed in range(first, first + count):
            try:
                problem = one(seed, folder)
            except Exception as error:  # the soak reports whatever escapes
                problem = f"{type(error).__name__}: {error}"
            if problem:
                failures += 1
                if failures <= 30:
                    print(f"seed {seed}: {problem}")
    print(f"{count} files, {failures} failures")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
