"""The logbook: what was done to the car, checked, filled or changed, and when."""

import datetime as dt
from pathlib import Path
from typing import Any, Literal, get_args

import msgspec

from pipeline.vehicle import VehicleError, line_of, parse_toml, refuse_unknown
from pipeline.wrong_value import explain

Kind = Literal["repair", "part", "table", "fuel", "check", "note"]
Area = Literal["exhaust", "turbo", "cooling", "fuel", "ignition", "wiring", "sensor"]
KINDS: tuple[str, ...] = get_args(Kind)
AREAS: tuple[str, ...] = get_args(Area)


class Recheck(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """When to look again; whichever comes first is due."""

    heat_cycles: float | None = None
    hours: float | None = None
    km: float | None = None
    text: str = ""


class Entry(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One entry. ``date`` is local time; a date alone means its first moment."""

    date: dt.datetime
    text: str
    kind: Kind = "note"
    touched: list[Area] = []
    table: str | None = None
    calibration: str | None = None
    item: str | None = None
    value: float | str | None = None
    unit: str | None = None
    recheck: Recheck | None = None

    @property
    def when(self) -> str:
        """ISO 8601 local time without an offset, for ordering against sessions."""
        return self.date.replace(tzinfo=None).isoformat(timespec="seconds")


class Logbook(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """All entries of one logbook, in order of time."""

    entry: list[Entry] = []


EMPTY_LOGBOOK = Logbook()


def load_logbook(path: Path) -> Logbook:
    """Read and check a logbook; raises VehicleError with line and cure, OSError if unreadable."""
    return parse_logbook(path.read_bytes())


def parse_logbook(raw: bytes) -> Logbook:
    """Check the bytes of a logbook; see :func:`load_logbook`."""
    tree = parse_toml(raw)
    text = raw.decode("utf-8-sig")
    refuse_unknown(tree, Logbook, text)
    entries = tree.get("entry", [])
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        raise VehicleError("entry is not a list", "start each entry with [[entry]]")
    checked = [_entry(tree_entry, text, i) for i, tree_entry in enumerate(entries)]
    return Logbook(entry=sorted(checked, key=lambda e: e.when))


def _entry(tree: dict[str, Any], text: str, index: int) -> Entry:
    line = _line_of_entry(text, index)
    part = "\n".join(text.splitlines()[line - 1 :])
    try:
        refuse_unknown(tree, Entry, part)
        return msgspec.convert({**tree, **_first_moment(tree)}, Entry, strict=True)
    except VehicleError as error:
        raise VehicleError(error.what, error.cure, line + error.line - 1) from None
    except msgspec.ValidationError as error:
        what, cure, path = explain(error, Entry)
        key = path.split("[")[0].split(".")[0]
        where = line + (line_of(part, key) if key else 1) - 1
        raise VehicleError(f"{path or 'entry'}: {what}", cure, where) from None


def _first_moment(tree: dict[str, Any]) -> dict[str, Any]:
    """Give an entry's date as a date and time, where it is a date alone or stands in quotes."""
    date = tree.get("date")
    if isinstance(date, str):
        try:
            return {"date": dt.datetime.fromisoformat(date)}
        except ValueError:
            return {}
    if isinstance(date, dt.date) and not isinstance(date, dt.datetime):
        return {"date": dt.datetime.combine(date, dt.time())}
    return {}


def _line_of_entry(text: str, index: int) -> int:
    heads = [
        number
        for number, line in enumerate(text.splitlines(), start=1)
        if line.split("#")[0].replace(" ", "").strip() == "[[entry]]"
    ]
    return heads[index] if index < len(heads) else 1
