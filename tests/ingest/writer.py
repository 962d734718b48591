"""Writes tables in any dialect, each property of its own: the truth is what was given."""

import random
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Dialect:
    """How to write; every property independent of the others."""

    encoding: str = "utf-8"
    bom: bool = False
    separator: str = ","
    decimal: str = "."
    end: str = "\n"
    quote: str = ""
    pad: bool = False
    trailing: bool = False
    header_trailing: bool = False
    preamble: tuple[str, ...] = ()
    unit_style: str = "()"
    missing: str = ""


def number(value: float | None, digits: int, dialect: Dialect) -> str:
    """One number in the dialect."""
    if value is None:
        return dialect.missing
    return f"{value:.{digits}f}".replace(".", dialect.decimal)


def header(name: str, unit: str, dialect: Dialect) -> str:
    """A header cell with its unit where the style puts it there."""
    if not unit:
        return name
    return {"()": f"{name} ({unit})", "[]": f"{name} [{unit}]", "_": f"{name}_{unit}",
            "-": f"{name} - {unit}"}.get(dialect.unit_style, name)  # fmt: skip


def write(
    names: Sequence[str], units: Sequence[str], rows: Sequence[Sequence[str]], dialect: Dialect
) -> bytes:
    """The whole file as bytes."""

    def line(cells: Sequence[str], trailing: bool) -> str:
        out = [f"{dialect.quote}{c}{dialect.quote}" if dialect.quote else c for c in cells]
        if dialect.pad:
            out = [f" {c} " for c in out]
        return dialect.separator.join(out) + (dialect.separator if trailing else "")

    heads = [header(n, u, dialect) for n, u in zip(names, units, strict=True)]
    lines = [*dialect.preamble, line(heads, dialect.header_trailing)]
    if dialect.unit_style == "row":
        lines.append(line(units, dialect.header_trailing))
    lines += [line(row, dialect.trailing) for row in rows]
    text = dialect.end.join(lines) + dialect.end
    if dialect.encoding == "twice":
        return text.encode("utf-8").decode("latin-1").encode("utf-8")
    marks = {"utf-8": b"\xef\xbb\xbf", "utf-16-le": b"\xff\xfe", "utf-16-be": b"\xfe\xff"}
    start = marks.get(dialect.encoding, b"") if dialect.bom else b""
    return start + text.encode(dialect.encoding)


TRUTH = (
    ("Engine Speed", "rpm", "engine_speed", 0),
    ("MAP", "kPa", "manifold_pressure", 1),
    ("Coolant Temp", "°C", "coolant_temperature", 1),
    ("Lambda", "", "lambda", 3),
    ("TPS", "%", "throttle_position", 1),
)
"""Name, unit, channel, digits of the columns most tests write."""


def table(count: int, seed: int = 1, holes: float = 0.0) -> dict[str, list[float | None]]:
    """A plausible drive, values as they are written."""
    draw = random.Random(seed)
    out: dict[str, list[float | None]] = {"time": [round(0.04 * i, 3) for i in range(count)]}
    speed, pressure, coolant, mixture, throttle = 1500.0, 45.0, 70.0, 1.0, 12.0
    for name in ("engine_speed", "manifold_pressure", "coolant_temperature", "lambda",
                 "throttle_position"):  # fmt: skip
        out[name] = []
    for _ in range(count):
        speed = min(max(speed + draw.uniform(-40, 40), 800), 6000)
        pressure = min(max(pressure + draw.uniform(-2, 2), 25), 99)
        coolant = min(coolant + 0.02, 92)
        mixture = min(max(mixture + draw.uniform(-0.01, 0.01), 0.8), 1.2)
        throttle = min(max(throttle + draw.uniform(-1, 1), 2), 95)
        values = (speed, pressure, coolant, mixture, throttle)
        for (_, _, channel, digits), value in zip(TRUTH, values, strict=True):
            out[channel].append(None if draw.random() < holes else round(value, digits))
    return out


def rows_of(
    data: dict[str, list[float | None]], dialect: Dialect, clock: Sequence[str] | None = None
) -> list[list[str]]:
    """Rows of text: clock first, then the channels in order of TRUTH."""
    count = len(data["time"])
    stamps = clock or [number(t, 3, dialect) for t in data["time"]]
    return [
        [stamps[i], *(number(data[c][i], d, dialect) for _, _, c, d in TRUTH)] for i in range(count)
    ]
