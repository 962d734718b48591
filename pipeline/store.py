"""Where things lie in OUT, hashes, and files that are written whole or not at all.

Only the standard library: the check whether anything changed imports this and must be quick.

Times of change in OUT are set from the logs', not from the clock: two runs over the same logs
give the same bytes (state.json holds these times), and a file edited by hand shows by its time.
"""

import contextlib
import fcntl
import hashlib
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.inputs import printable

#: Suffix of a file being written; left-overs of a killed run are removed by the next.
PARTIAL = ".partial"


@dataclass(frozen=True)
class Store:
    """Paths below OUT. Pure names: nothing is created until something is written."""

    out: Path

    @property
    def index(self) -> Path:
        """All sessions, trends, open points."""
        return self.out / "index.html"

    @property
    def ingest(self) -> Path:
        """Every input file."""
        return self.out / "data" / "ingest.json"

    @property
    def state(self) -> Path:
        """What went into what."""
        return self.out / "data" / "state.json"

    @property
    def history(self) -> Path:
        """What later sessions compare with."""
        return self.out / "data" / "history.json"

    @property
    def metrics(self) -> Path:
        """All metrics of all sessions."""
        return self.out / "data" / "metrics.parquet"

    def page(self, session: str) -> Path:
        """Report of one session."""
        return self.out / "sessions" / f"{session}.html"

    def session(self, session: str, name: str) -> Path:
        """A file of one session: samples.parquet, results.json, analysis.json, ..."""
        return self.out / self.session_name(session, name)

    @staticmethod
    def session_name(session: str, name: str) -> str:
        """Relative name of a file of one session; a thousand are asked for at a time."""
        return f"data/sessions/{session}/{name}"

    def vehicle(self, vehicle: str, name: str) -> Path:
        """A file of one vehicle."""
        return self.out / "data" / "vehicles" / vehicle / name

    def kept(self, name: str) -> Path:
        """What was costly to make and many sessions share: the knock model's tables."""
        return self.out / "data" / "kept" / name

    def relative(self, path: Path) -> str:
        """Name of an output as state.json has it."""
        return path.relative_to(self.out).as_posix()


def digest(*parts: bytes | str) -> str:
    """SHA-256 over parts, each with its length before it, so that no two lists look alike."""
    total = hashlib.sha256()
    for part in parts:
        raw = part.encode("utf-8", "surrogateescape") if isinstance(part, str) else part
        total.update(len(raw).to_bytes(8, "big"))
        total.update(raw)
    return total.hexdigest()


def file_hash(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def write_whole(path: Path, content: bytes, *, stamp_ns: int) -> str:
    """Write a file under a temporary name and rename it; returns the content's SHA-256.

    ``stamp_ns`` becomes its time of change. Raises OSError (full disk, no permission); nothing
    half-written stays behind.
    """
    with whole(path, stamp_ns=stamp_ns) as partial:
        partial.write_bytes(content)
    return hashlib.sha256(content).hexdigest()


@contextlib.contextmanager
def whole(path: Path, *, stamp_ns: int) -> Iterator[Path]:
    """Give a temporary path to write to; on leaving well it becomes ``path`` in one step."""
    path.parent.mkdir(parents=True, exist_ok=True)
    partial = path.with_name(f"{path.name}.{os.getpid()}{PARTIAL}")
    try:
        yield partial
        os.utime(partial, ns=(stamp_ns, stamp_ns))
        os.replace(partial, path)  # noqa: PTH105
    except BaseException:
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)
        raise


def remove_leftovers(out: Path) -> None:
    """Remove what a killed run left half-written."""
    for name in files_below(out, ""):
        if name.endswith(PARTIAL):
            with contextlib.suppress(OSError):
                (out / name).unlink()


def files_below(out: Path, folder: str) -> list[str]:
    """Relative names of all files below a folder of OUT, in order; links are not followed.

    By walking, not by pattern: a thousand sessions are six thousand files, looked at twice a run.
    """
    root = os.path.join(out, "")  # noqa: PTH118 - so that the names below can be cut off
    found = []
    for where, _, names in os.walk(root + folder):
        inner = where[len(root) :].strip("/")
        found += [f"{inner}/{name}" if inner else name for name in names]
    return sorted(found)


def remove_output(store: Store, name: str) -> None:
    """Remove one output by its relative name, and its folder where that is empty then."""
    path = store.out / name
    with contextlib.suppress(OSError):
        path.unlink()
        for parent in path.parents:
            if parent == store.out:
                break
            parent.rmdir()


@contextlib.contextmanager
def only_run(out: Path, *, on_wait: Any) -> Iterator[None]:
    """Hold OUT for this run; a second run waits after calling ``on_wait`` once.

    The lock is on the folder itself, so it leaves no file and goes with the process.
    """
    handle = os.open(out, os.O_RDONLY | os.O_DIRECTORY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            on_wait()
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def read_json(path: Path) -> Any:
    """Read JSON, None where the file is missing, unreadable or not JSON: never trusted blindly."""
    try:
        return json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None


def dump_json(value: Any) -> bytes:
    """JSON bytes, sorted keys, no NaN, one line end."""
    return json.dumps(value, allow_nan=False, sort_keys=True).encode() + b"\n"


def missing_session(store: Store, name: str) -> str:
    """Say that OUT has no session of this name, and which were meant; "" where it has it."""
    import difflib  # only for a wrong name; the check whether anything changed must be quick

    plain = bool(name) and all(c.isascii() and (c.isalnum() or c == "-") for c in name)
    if plain and store.session(name, "analysis.json").is_file():
        return ""
    folder = store.out / "data" / "sessions"
    known = sorted(p.name for p in folder.iterdir()) if folder.is_dir() else []
    near = [k for k in known if plain and name in k] or difflib.get_close_matches(name, known)
    cure = "did you mean" if near else "one of" if known else "run sparkledger run first"
    names = ", ".join(near[:5] or known[-5:])
    return (
        f"{printable(name)}: no such session in {printable(store.out.name)}: "
        f"{cure}{f' {names}' if names else ''}{'?' if near else ''}"
    )
