"""How one log would be read, as text: for `sparkledger channels FILE`."""

from pathlib import Path

from pipeline.channels import CHANNELS
from pipeline.ingest.reader import read_log
from pipeline.ingest.reading import ColumnReading, Reading
from pipeline.ingest.units import known_unit
from pipeline.ingest.words import find_channels, read_name
from pipeline.vehicle import Vehicle


def explain(path: Path, *, name: str, vehicle: Vehicle, toml: bool) -> str:
    """Say how the file is read; with `toml` the `[channels]` block ready to paste."""
    reading = read_log(path, vehicle=vehicle)
    return _toml(reading) if toml else _table(name, reading)


def _clean(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)


def _table(name: str, reading: Reading) -> str:
    if reading.status == "set_aside":
        cure = reading.messages[0].cure if reading.messages else ""
        return f"{_clean(name)}: set aside: {_clean(reading.reason)}: {_clean(cure)}\n"
    dialect = reading.dialect
    units = f"line {dialect.unit_line}" if dialect.unit_line else "none"
    out = [
        f"{_clean(name)}: {reading.status}",
        f"  encoding {dialect.encoding}, separator '{dialect.separator}', decimal mark "
        f"'{dialect.decimal}', header line {dialect.header_line}, unit row {units}",
        f"  {reading.rows_read} rows in {len(reading.sessions)} session(s)",
    ]
    for title, counts in (
        ("rows dropped", reading.rows_dropped),
        ("other lines", reading.lines_other),
    ):
        if counts:
            out.append(f"  {title}: " + ", ".join(f"{k} {v}" for k, v in counts.items()))
    rows = [("column", "channel", "unit", "conversion", "why")]
    rows += [(_clean(c.column), c.channel or "-", c.unit, c.conversion, _clean(c.why))
             for c in reading.columns]  # fmt: skip
    widths = [min(44, max(len(row[i]) for row in rows)) for i in range(4)]
    out.append("")
    out.extend(
        "  " + "  ".join(row[i].ljust(widths[i]) for i in range(4)) + "  " + row[4] for row in rows
    )
    out.extend(
        f"{_clean(name)}:{message.line}: {_clean(message.what)}: {_clean(message.cure)}"
        for message in reading.messages
    )
    return "\n".join(out) + "\n"


def _toml(reading: Reading) -> str:
    out = ["[channels]"]
    out += [_line(column) for column in reading.columns]
    return "\n".join(out) + "\n"


def _line(column: ColumnReading) -> str:
    key = '"' + "".join(_escaped(c) for c in column.column) + '"'
    if column.channel == "time":
        return f'{key} = "time"'
    if column.channel and column.conversion == "none":
        return f'{key} = "{column.channel}"'
    source, to, _ = column.conversion.partition(" to ")
    if column.channel and to and known_unit(source):
        return f'{key} = {{channel = "{column.channel}", unit = "{source}"}}'
    if column.channel:
        return f'# {key} = "{column.channel}"  # read with: {_clean(column.conversion)}'
    likely = [c for c in find_channels(read_name(column.column)) if c in CHANNELS]
    if likely:
        unit = CHANNELS[likely[0]].unit
        return f'# {key} = {{channel = "{likely[0]}", unit = "{unit}"}}  # {_clean(column.why)}'
    return f'# {key} = "ignore"  # {_clean(column.why)}'


def _escaped(character: str) -> str:
    if character in ('"', "\\"):
        return "\\" + character
    return character if character.isprintable() else f"\\u{ord(character):04x}"
