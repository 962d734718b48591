"""Finds what lies below the folder of logs: which files, which vehicle, which logbook, which id.

Only the standard library, and no file is opened here: this runs before anything heavy.
"""

import hashlib
import os
import re
import stat
import unicodedata
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

VEHICLE_FILE = "vehicle.toml"
LOGBOOK_FILE = "logbook.toml"
#: Extensions a log may carry; several may stand behind each other (``.csv.gz``).
LOG_EXTENSIONS = frozenset({".csv", ".txt", ".log", ".tsv", ".dat", ".gz"})
#: Extensions that no log carries; a picture beside a log must not change the log's id.
OTHER_EXTENSIONS = frozenset({".bmp", ".css", ".doc", ".docx", ".gif", ".heic", ".htm", ".html",
                              ".jpeg", ".jpg", ".js", ".json", ".md", ".mov", ".mp4", ".ods",
                              ".odt", ".parquet", ".pdf", ".png", ".py", ".rtf", ".svg", ".toml",
                              ".webp", ".xls", ".xlsx", ".xml", ".yaml", ".yml",
                              ".zip"})  # fmt: skip
#: Longest id, by contract.
ID_LENGTH = 80
#: Hex digits that tell files apart whose names give the same id, by contract.
CLASH_DIGITS = 6
#: Folders nested deeper than this are not entered: no person files logs like that, and each
#: level costs an open folder.
MAX_DEPTH = 40


@dataclass(frozen=True)
class InputFile:
    """One entry below LOGS. ``refused`` says why it is never opened, "" for a regular file.

    ``file``: relative to LOGS with "/". ``vehicle`` and ``logbook``: the nearest ones, relative
    likewise, None where there is none.
    """

    file: str
    path: Path
    size: int
    mtime_ns: int
    refused: str
    vehicle: str | None
    logbook: str | None


def is_candidate(item: InputFile) -> bool:
    """Tell by its name alone whether a file may be a log, and so has an id of its own."""
    extension = os.path.splitext(item.file)[1].lower()  # noqa: PTH122
    return not item.refused and extension not in OTHER_EXTENSIONS


def printable(text: str) -> str:
    """Escape control characters, separators and undecodable bytes of a name for a message."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape", "backslashreplace").decode("ascii")
        for c in text
    )


def storable(name: str) -> str:
    """Spell undecodable bytes of a file's name out, so that JSON can hold it."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def find_inputs(logs: Path, out: Path) -> list[InputFile]:
    """List every file below ``logs`` in order of path.

    OUT, names that start with a dot, vehicle files and logbooks are skipped; links, devices,
    pipes and sockets are listed and never opened. An unreadable folder is listed as refused.
    """
    skipped = _identity(out)
    return sorted(_walk(logs, "", None, None, skipped, 0), key=lambda f: f.file)


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        info = path.stat()
    except OSError:
        return None
    return (info.st_dev, info.st_ino)


def _walk(
    folder: Path,
    relative: str,
    vehicle: str | None,
    logbook: str | None,
    skipped: tuple[int, int] | None,
    depth: int,
) -> Iterator[InputFile]:
    try:
        entries = sorted(os.scandir(folder), key=lambda e: e.name)
    except OSError as error:
        why = f"folder cannot be read ({(error.strerror or 'error').lower()})"
        yield InputFile(relative.rstrip("/") or ".", folder, 0, 0, why, vehicle, logbook)
        return
    names = {e.name for e in entries if not e.is_symlink() and _is_regular(e)}
    vehicle = relative + VEHICLE_FILE if VEHICLE_FILE in names else vehicle
    logbook = relative + LOGBOOK_FILE if LOGBOOK_FILE in names else logbook
    for entry in entries:
        if entry.name.startswith(".") or entry.name in (VEHICLE_FILE, LOGBOOK_FILE):
            continue
        name = relative + entry.name
        try:
            info = entry.stat(follow_symlinks=False)
        except OSError as error:
            why = f"cannot be looked at ({(error.strerror or 'error').lower()})"
            yield InputFile(name, Path(entry.path), 0, 0, why, vehicle, logbook)
            continue
        if stat.S_ISDIR(info.st_mode):
            if skipped == (info.st_dev, info.st_ino):
                continue
            if os.path.splitext(entry.name)[1].lower() in LOG_EXTENSIONS:  # noqa: PTH122
                why = "a folder with a log's name; the files in it are read one by one"
                yield InputFile(name, Path(entry.path), 0, 0, why, vehicle, logbook)
            if depth >= MAX_DEPTH:
                why = f"folders nested deeper than {MAX_DEPTH} are not entered"
                yield InputFile(name, Path(entry.path), 0, 0, why, vehicle, logbook)
                continue
            yield from _walk(Path(entry.path), name + "/", vehicle, logbook, skipped, depth + 1)
        else:
            yield InputFile(
                name,
                Path(entry.path),
                info.st_size if stat.S_ISREG(info.st_mode) else 0,
                info.st_mtime_ns,
                _refusal(info.st_mode),
                vehicle,
                logbook,
            )


def _is_regular(entry: "os.DirEntry[str]") -> bool:
    try:
        return entry.is_file(follow_symlinks=False)
    except OSError:
        return False


def _refusal(mode: int) -> str:
    if stat.S_ISREG(mode):
        return ""
    if stat.S_ISLNK(mode):
        return "a link; links are never followed"
    if stat.S_ISFIFO(mode):
        return "a pipe, not a file"
    if stat.S_ISSOCK(mode):
        return "a socket, not a file"
    return "a device, not a file"


def without_extensions(name: str) -> str:
    """Take a log's extensions off a file name: all known ones, else one that looks like any."""
    stem = name
    while True:
        head, extension = os.path.splitext(stem)  # noqa: PTH122
        if not head or extension.lower() not in LOG_EXTENSIONS:
            break
        stem = head
    if stem == name:
        head, extension = os.path.splitext(name)  # noqa: PTH122
        if re.fullmatch(r"\.[A-Za-z][A-Za-z0-9]{0,4}", extension):
            stem = head
    return stem


def plain_id(name: str, fallback: str) -> str:
    """Make an id of a name: lower case, accents off, other runs one "-", 80 characters."""
    flat = unicodedata.normalize("NFKD", name.lower())
    flat = "".join(c for c in flat if not unicodedata.combining(c)).lower()
    return re.sub(r"[^a-z0-9]+", "-", flat).strip("-")[:ID_LENGTH].strip("-") or fallback


def file_ids(files: Sequence[str]) -> dict[str, str]:
    """Give each file (path relative to LOGS) its id; never looks into a file.

    Files that would share an id all get digits of their path's SHA-256.
    """
    plain = {f: plain_id(without_extensions(f.rsplit("/", 1)[-1]), "log") for f in files}
    return _separate(plain)


def vehicle_ids(vehicles: Sequence[str | None]) -> dict[str | None, str]:
    """Give each vehicle file (relative path, None for none) its id, made from its folder."""
    names: dict[str, str] = {}
    for vehicle in vehicles:
        folder = "" if vehicle is None else vehicle.rpartition("/")[0]
        name = folder.rsplit("/", 1)[-1]
        names[vehicle or ""] = plain_id(name, "vehicle") if name else "vehicle"
    separated = _separate(names)
    return {vehicle: separated[vehicle or ""] for vehicle in vehicles}


def _separate(plain: dict[str, str]) -> dict[str, str]:
    shared: dict[str, list[str]] = defaultdict(list)
    for key, name in plain.items():
        shared[name].append(key)
    digits = CLASH_DIGITS
    while True:
        ids = {
            key: name if len(shared[name]) == 1 else f"{name}-{_path_hash(key)[:digits]}"
            for key, name in plain.items()
        }
        if len(set(ids.values())) == len(ids) or digits >= 64:
            return ids
        digits += 2  # two of the hashes met, or one met another file's plain name


def _path_hash(path: str) -> str:
    return hashlib.sha256(path.encode("utf-8", "surrogateescape")).hexdigest()
