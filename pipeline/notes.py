"""``sparkledger note``: adds an entry to a logbook without touching what stands in it."""

import datetime as dt
import json
from pathlib import Path

from pipeline.inputs import LOGBOOK_FILE, printable
from pipeline.logbook import KINDS, parse_logbook
from pipeline.store import write_whole
from pipeline.vehicle import VehicleError


class NoteError(Exception):
    """An entry that would not be a right one; the logbook is left as it is."""


def add_note(logs: Path, text: str, given: dict[str, str], now: dt.datetime | None = None) -> Path:
    """Append one entry to ``LOGS/logbook.toml``; returns its path.

    given: kind, date (ISO date or date and time), table, item, value, unit. Without a date the
    entry is of now, local time. Raises NoteError for a wrong entry or a logbook that is wrong
    already; OSError where the file cannot be written.
    """
    if not logs.is_dir():
        raise NoteError(f"{printable(str(logs))}: no such folder: give the folder of your logs")
    if not text.strip():
        raise NoteError("an empty note: say what was done, in quotes")
    path = logs / LOGBOOK_FILE
    old = path.read_bytes() if path.exists() else b""
    _checked(old, "")
    lines = ["[[entry]]", f"date = {_date(given.get('date'), now)}"]
    kind = given.get("kind", "check" if "item" in given else "note")
    if kind not in KINDS:
        raise NoteError(f"--kind {printable(kind)}: unknown: one of {', '.join(KINDS)}")
    lines += [f'kind = "{kind}"', f"text = {_quoted(text)}"]
    lines += [f"{key} = {_quoted(given[key])}" for key in ("table", "item", "unit") if key in given]
    if "value" in given:
        lines.append(f"value = {_number(given['value'])}")
    entry = "\n".join(lines) + "\n"
    head = old if not old or old.endswith(b"\n") else old + b"\n"
    new = head + (b"\n" if head else b"") + entry.encode("utf-8")
    _checked(new, "the new entry: ")
    stamp = dt.datetime.now().timestamp() if now is None else now.timestamp()
    write_whole(path, new, stamp_ns=int(stamp * 1e9))
    return path


def _checked(raw: bytes, which: str) -> None:
    try:
        parse_logbook(raw)
    except VehicleError as error:
        raise NoteError(f"{LOGBOOK_FILE}:{error.line}: {which}{error.what}: {error.cure}") from None


def _date(text: str | None, now: dt.datetime | None) -> str:
    if text is None:
        return (now or dt.datetime.now()).replace(microsecond=0, tzinfo=None).isoformat()
    try:
        return dt.date.fromisoformat(text).isoformat()
    except ValueError:
        pass
    try:
        return dt.datetime.fromisoformat(text).replace(tzinfo=None).isoformat()
    except ValueError:
        raise NoteError(
            f"--date {printable(text)}: not a date: give 2026-05-03 or 2026-05-03T18:20"
        ) from None


def _quoted(text: str) -> str:
    """Write a TOML basic string; JSON's escapes are a subset of TOML's, DEL excepted."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _number(text: str) -> str:
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        return _quoted(text)
    return repr(value) if value == value and abs(value) != float("inf") else _quoted(text)
